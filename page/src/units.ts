// Values as people read them, in metric or US units. The station always speaks the units of the program.

import { computed } from "@preact/signals";
import { settings } from "./settings.ts";

/** How values of a unit stand on the page. */
export interface Shown {
  unit: string;
  factor: number;
  offset?: number;
  digits: number;
}

const METRIC: Record<string, Shown> = {
  degC: { unit: "°C", factor: 1, digits: 2 },
  K: { unit: "K", factor: 1, digits: 2 },
  pH: { unit: "pH", factor: 1, digits: 2 },
  mm: { unit: "mm", factor: 1, digits: 1 },
  m: { unit: "m", factor: 1, digits: 3 },
  mL: { unit: "mL", factor: 1, digits: 0 },
  L: { unit: "L", factor: 1, digits: 2 },
  "mL/min": { unit: "mL/min", factor: 1, digits: 0 },
  s: { unit: "s", factor: 1, digits: 1 },
  "mS/cm": { unit: "mS/cm", factor: 1, digits: 2 },
  "%": { unit: "%", factor: 1, digits: 0 },
  "K/h": { unit: "K/h", factor: 1, digits: 2 },
  "pH/h": { unit: "pH/h", factor: 1, digits: 2 },
  "mm/h": { unit: "mm/h", factor: 1, digits: 1 },
};

// Exact by definition: 1 in = 25.4 mm, 1 US gal = 3.785 411 784 L, 1 fl oz = 1/128 gal (NIST Handbook 44, appendix C).
const US: Record<string, Shown> = {
  degC: { unit: "°F", factor: 1.8, offset: 32, digits: 2 },
  K: { unit: "°F", factor: 1.8, digits: 2 },
  mm: { unit: "in", factor: 1 / 25.4, digits: 2 },
  m: { unit: "ft", factor: 1 / 0.3048, digits: 2 },
  mL: { unit: "fl oz", factor: 128 / 3785.411784, digits: 1 },
  L: { unit: "gal", factor: 1 / 3.785411784, digits: 2 },
  "mL/min": { unit: "fl oz/min", factor: 128 / 3785.411784, digits: 2 },
  "K/h": { unit: "°F/h", factor: 1.8, digits: 2 },
  "mm/h": { unit: "in/h", factor: 1 / 25.4, digits: 2 },
};

// What a pump moves is said by the hour, what is dosed by the minute: from 1 L/min on.
const MUCH = 1000;
const LARGE: Record<System, Shown> = {
  metric: { unit: "L/h", factor: 0.06, digits: 0 },
  us: { unit: "gal/h", factor: 0.06 / 3.785411784, digits: 0 },
};

export type System = "metric" | "us";

/** How values of a unit are shown; `size` is the largest of those that stand together. */
export function shownUnit(unit: string, system: System, size = 0): Shown {
  if (unit === "mL/min" && Math.abs(size) >= MUCH) return LARGE[system];
  return (system === "us" ? US[unit] : undefined) ?? METRIC[unit] ?? { unit, factor: 1, digits: 2 };
}

/** A number without its unit. */
export function figure(value: number, unit: string, system: System): string {
  const { factor, offset, digits } = shownUnit(unit, system, value);
  const text = (value * factor + (offset ?? 0)).toFixed(digits);
  return (/^-0\.?0*$/.test(text) ? text.slice(1) : text).replace("-", "−");
}

/** A number with its unit, with a space that does not break. */
export function quantity(value: number, unit: string, system: System): string {
  const word = shownUnit(unit, system, value).unit;
  return word === "" ? figure(value, unit, system) : `${figure(value, unit, system)}\u00a0${word}`;
}

export const system = computed<System>(() => settings.value.units);
