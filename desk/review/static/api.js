// What the page asks the desk for. A refusal is a sentence to show.

export class Refusal extends Error {
  constructor(message, status) {
    super(message);
    this.status = status;
  }
}

async function answer(response) {
  const kind = response.headers.get("content-type") || "";
  const content = kind.startsWith("application/json") ? await response.json() : { message: await response.text() };
  if (!response.ok) throw new Refusal(content.message || `the desk answered ${response.status}.`, response.status);
  return content;
}

async function ask(path, settings) {
  let response;
  try {
    response = await fetch(path, settings);
  } catch {
    throw new Refusal("the desk does not answer: it was closed. Start toeline review again.", 0);
  }
  return answer(response);
}

export const get = (path) => ask(path, { credentials: "same-origin" });

export const post = (path, content) =>
  ask(path, {
    method: "POST",
    credentials: "same-origin",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(content),
  });

export async function picture(id, size) {
  const image = new Image();
  image.src = `/api/items/${encodeURIComponent(id)}/picture/${size}`;
  await image.decode();
  // A bitmap stays decoded; an image is decoded again whenever the browser is short of memory.
  return createImageBitmap(image);
}
