// Elements made from data: text goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export const find = (id) => document.getElementById(id);

export function make(name, attributes = {}, ...children) {
  return fill(document.createElement(name), attributes, children);
}

export function draw(name, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

function fill(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}
