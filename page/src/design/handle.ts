// What a handle's place on the sheet means in the file, and the other way round. Pure.

import type { Edit, Handle } from "../api/design.ts";

/** m of one, decimals in which it is written, and the step of a key. Inches are exact by definition (NIST Handbook 44, appendix C). */
const UNITS: Record<string, { m: number; digits: number; step: number }> = {
  mm: { m: 0.001, digits: 0, step: 0.001 },
  cm: { m: 0.01, digits: 1, step: 0.001 },
  m: { m: 1, digits: 3, step: 0.001 },
  in: { m: 0.0254, digits: 4, step: 0.0254 / 16 },
  ft: { m: 0.3048, digits: 3, step: 0.3048 / 100 },
};
const MM = { m: 0.001, digits: 0, step: 0.001 };

/** The step of an arrow key, m. */
export function stepOf(handle: Handle): number {
  return (UNITS[handle.unit] ?? MM).step;
}

/** A value within its bounds, on a whole step, m. */
export function kept(handle: Handle, value: number): number {
  const step = stepOf(handle);
  const whole = Math.round(value / step) * step;
  return Math.min(handle.max, Math.max(handle.min, whole));
}

/** The value after the handle was moved by so many mm of the sheet along its axis. */
export function dragged(handle: Handle, byMm: number): number {
  return kept(handle, handle.value_m + byMm * handle.unit_m_per_sheet);
}

/** Where a handle with this value lies on the sheet, mm. */
export function placed(handle: Handle, value: number): [number, number] {
  const by = handle.unit_m_per_sheet === 0 ? 0 : (value - handle.value_m) / handle.unit_m_per_sheet;
  return handle.axis === "x" ? [handle.at.x + by, handle.at.y] : [handle.at.x, handle.at.y + by];
}

/** A value as the file writes it: `203 mm`. */
export function written(handle: Handle, value: number): string {
  const unit = UNITS[handle.unit];
  const { m, digits } = unit ?? MM;
  const number = (value / m).toFixed(digits).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
  return `${number === "-0" ? "0" : number} ${unit ? handle.unit : "mm"}`;
}

export function setTo(handle: Handle, value: number): Edit {
  return { op: "set", path: handle.path, key: handle.key, value: written(handle, value) };
}

/** The other of the two heights between which a float switches: the float moves with both. */
export function partner(handle: Handle, list: Handle[]): Handle | undefined {
  if (handle.key !== "high" || !handle.path.startsWith("sensor.")) return undefined;
  return list.find((other) => other.path === handle.path && other.key === "low");
}

/** What a move of a handle changes; of two that depend on each other the one that leaves the text right goes first. */
export function moves(handle: Handle, value: number, list: Handle[]): Edit[] {
  const low = partner(handle, list);
  if (!low) return [setTo(handle, value)];
  const both = [setTo(handle, value), setTo(low, Math.max(low.min, low.value_m + value - handle.value_m))];
  return value >= handle.value_m ? both : both.reverse();
}

/** Those that are drawn: a float has one handle. */
export function drawnOf(list: Handle[]): Handle[] {
  const moved = new Set(list.flatMap((handle) => partner(handle, list)?.id ?? []));
  return list.filter(({ id }) => !moved.has(id));
}
