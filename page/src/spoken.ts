// Sentences of the station in the page's units. The station speaks metric; where US units are chosen, quantities in its sentences are said in those. What stands
// between backticks is text of a file and stays. Pure.

import { shownUnit } from "./units.ts";

/** As sentences write units, and as the station names them. */
const UNITS: Record<string, string> = { "°C": "degC", degC: "degC", K: "K", "K/h": "K/h", mm: "mm", "mm/h": "mm/h", m: "m", L: "L", mL: "mL", "mL/min": "mL/min" };
/** Those that the page's values do not have: exact by definition (NIST Handbook 44, appendix C). */
const MORE: Record<string, { unit: string; factor: number }> = { "L/h": { unit: "gal/h", factor: 1 / 3.785411784 }, kg: { unit: "lb", factor: 1 / 0.45359237 }, "L/min": { unit: "gal/min", factor: 1 / 3.785411784 } };

const NUMBER = String.raw`[-−+]?\d+(?:\.\d+)?`;
const NAMES = [...Object.keys(UNITS), ...Object.keys(MORE)].sort((a, b) => b.length - a.length).join("|");
/** Numbers that share a unit (`25.0 and 25.6 °C`, `25.4, 25.3 °C`, `3.1 ± 0.4 L`), none of them part of a time, a date or a name. */
const QUANTITIES = new RegExp(String.raw`(?<![\w.:/-])(${NUMBER}(?:(?:,| to| and|–| ±| \.\.) ?${NUMBER})*)([ \u00a0]?)(${NAMES})(?![\w/°])`, "g");

function us(numbers: string, gap: string, unit: string): string {
  const known = UNITS[unit];
  const { unit: word, factor, offset } = known === undefined ? { ...MORE[unit]!, offset: undefined } : shownUnit(known, "us");
  const said = numbers.replace(new RegExp(`(± ?|[-−+]?)(\\d+(?:\\.\\d+)?)`, "g"), (_, sign: string, digits: string) => {
    const isSpread = sign.startsWith("±");
    const isNegative = sign === "-" || sign === "−";
    const value = Number(digits) * (isNegative ? -1 : 1);
    const places = digits.split(".")[1]?.length ?? 0;
    // A coarser unit needs a digit more to say as much.
    const finer = factor < 0.5 && places < 3 ? places + 1 : places;
    const text = (value * factor + (isSpread ? 0 : (offset ?? 0))).toFixed(finer);
    return `${isSpread ? sign : sign === "+" ? "+" : ""}${isNegative ? text.replace("-", sign) : text}`;
  });
  return `${said}${gap === "" ? "" : "\u00a0"}${word}`;
}

/** A sentence with its quantities in US units. */
export function inUs(sentence: string): string {
  return sentence
    .split(/(`[^`]*`)/)
    .map((part) => (part.startsWith("`") ? part : part.replace(QUANTITIES, (_, numbers: string, gap: string, unit: string) => us(numbers, gap, unit))))
    .join("");
}
