// Numbers as the table of the command line writes them: decimals follow the uncertainty, inches show the nearest 1/64.

const MM_PER_INCH = 25.4;
const SYMBOLS = { mm: "mm", deg: "°", mm2: "mm²", percent: "%" };
const DECIMALS = { mm: 2, "°": 1, "mm²": 2, "%": 1, in: 3, "in²": 4 };
const FIGURE_SPACE = "\u2007";
const POINT_SPACE = "\u2008";

export function symbolOf(unit, system) {
  if (system === "inch" && unit === "mm") return "in";
  if (system === "inch" && unit === "mm2") return "in²";
  return SYMBOLS[unit] || unit;
}

function factorOf(unit, system) {
  if (system !== "inch") return 1;
  return unit === "mm" ? 1 / MM_PER_INCH : unit === "mm2" ? 1 / MM_PER_INCH ** 2 : 1;
}

export function plain(value, unit, system) {
  const symbol = symbolOf(unit, system);
  return `${fixed(value * factorOf(unit, system), DECIMALS[symbol] ?? 2)}${symbol === "°" ? "" : " "}${symbol}`;
}

export function written(item, system) {
  const symbol = symbolOf(item.unit, system);
  const factor = factorOf(item.unit, system);
  let decimals = DECIMALS[symbol] ?? 2;
  const expanded = item.expanded_uncertainty;
  const fraction = symbol === "in" ? nearestFraction(item.value / MM_PER_INCH) : "";
  if (expanded === null || expanded === undefined) {
    return { value: fixed(item.value * factor, decimals), doubt: "–", unit: symbol, fraction };
  }
  while (expanded > 0 && expanded * factor < 1.5 * 10 ** -decimals && decimals < 5) decimals += 1;
  let doubt = fixed(expanded * factor, decimals);
  const interval = item.interval;
  if (interval && interval[0] === 0 && item.value < expanded) doubt = `0–${fixed(interval[1] * factor, decimals)}`;
  else if (interval && item.unit === "percent" && item.value + expanded > 100) doubt = `${fixed(interval[0], decimals)}–${fixed(interval[1], decimals)}`;
  return { value: fixed(item.value * factor, decimals), doubt, unit: symbol, fraction };
}

// A sentence with its lengths in the unit of the screen, as the command line writes it (core/units.py).
const TOLD_MM = /(?<![\w.,/"'])([+-]?\d+(?:\.\d+)?)(?:( to | x )(\d+(?:\.\d+)?))? mm(?![\w²]| per pixel)/g;
const STEP = /(?<=\()[+-]\d+\.\d+ mm(?=\))/g;
const MOST_DECIMALS = 5;

export function worded(text, system) {
  if (system !== "inch") return text;
  return text.replace(TOLD_MM, (_, first, between, second) => (
    `${inchesAsTold(first)}${second === undefined ? "" : between + inchesAsTold(second)} in`));
}

// Of a gauge only what moves it: its own sizes are those that are marked on it.
export function wordedSteps(text, system) {
  return system === "inch" ? text.replace(STEP, (step) => worded(step, system)) : text;
}

function inchesAsTold(text) {
  const inches = Number(text) / MM_PER_INCH;
  let decimals = (text.split(".")[1] || "").length + 1;
  while (inches !== 0 && Math.abs(inches) < 9.5 * 10 ** -decimals && decimals < MOST_DECIMALS) decimals += 1;
  return (text.startsWith("+") ? "+" : "") + inches.toFixed(decimals);
}

export function fixed(value, decimals) {
  const text = value.toFixed(decimals);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "−");
}

export function nearestFraction(inches) {
  const count = Math.round(Math.abs(inches) * 64);
  const sign = inches < 0 && count ? "−" : "";
  const whole = Math.floor(count / 64);
  let top = count % 64;
  let bottom = 64;
  if (top === 0) return `${sign}${whole}`;
  while (top % 2 === 0) {
    top /= 2;
    bottom /= 2;
  }
  return `${sign}${whole ? `${whole} ` : ""}${top}/${bottom}`;
}

// Pad behind the decimal point, so that right-aligned figures of one width stand point under point.
export function aligned(numbers) {
  const tails = numbers.map((number) => (number.includes(".") ? number.length - number.indexOf(".") : 0));
  const longest = Math.max(0, ...tails);
  return numbers.map((number, index) => {
    const lacking = longest - tails[index];
    if (lacking === 0) return number;
    return tails[index] === 0 ? number + POINT_SPACE + FIGURE_SPACE.repeat(lacking - 1) : number + FIGURE_SPACE.repeat(lacking);
  });
}
