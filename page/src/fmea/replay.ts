// A run of one fault as the section shows it at any moment. Pure.

import type { Act, Replay, ReplaySignal } from "../api/design.ts";
import type { Known } from "../section/view.ts";
import { quantity, type System } from "../units.ts";
import { words } from "../words.ts";

/** The last point at or before a moment; 0 before the first. */
export function indexAt(t: number[], at: number): number {
  let [low, high] = [0, t.length - 1];
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if ((t[middle] ?? 0) <= at) low = middle;
    else high = middle - 1;
  }
  return Math.max(0, low);
}

/** A value between two points, along the straight line; where either is not known the one before counts. */
export function valueAt(t: number[], values: (number | null)[], at: number): number | undefined {
  const i = indexAt(t, at);
  const [a, b] = [values[i], values[i + 1]];
  if (a === null || a === undefined) return undefined;
  const [ta, tb] = [t[i] ?? 0, t[i + 1] ?? 0];
  if (b === null || b === undefined || tb <= ta || at <= ta) return a;
  return a + ((b - a) * (at - ta)) / (tb - ta);
}

export function isOn(on: [number, number][], at: number): boolean {
  let [low, high] = [0, on.length - 1];
  while (low <= high) {
    const middle = (low + high) >> 1;
    const [from, to] = on[middle] ?? [0, 0];
    if (at < from) high = middle - 1;
    else if (at >= to) low = middle + 1;
    else return true;
  }
  return false;
}

/** A signal of 0 and 1 alone. */
export function isBit(signal: ReplaySignal): boolean {
  return (signal.unit === "" || signal.unit === "1") && signal.values.every((value) => value === null || value === 0 || value === 1);
}

function textOf(signal: ReplaySignal, value: number, system: System): string {
  if (isBit(signal)) return value !== 0 ? words.bits.on : words.bits.off;
  return quantity(value, signal.unit === "1" ? "" : signal.unit, system);
}

/** Water lines move by less than this without being drawn again, m: less than a pixel can show. */
const STILL_M = 0.0002;

/** What the section shows at a moment. What reads the same as before keeps its object, so that nothing is drawn twice. */
export function valuesAt(replay: Replay, at: number, system: System, before?: ReadonlyMap<string, Known>): Map<string, Known> {
  const values = new Map<string, Known>();
  const put = (name: string, known: Known, still: number) => {
    const old = before?.get(name);
    const isSame = old && old.isDoubtful === known.isDoubtful && old.text === known.text && Math.abs((old.value ?? NaN) - (known.value ?? NaN)) <= still;
    values.set(name, isSame ? old : known);
  };
  for (const signal of replay.signals) {
    const bit = isBit(signal);
    const value = bit ? signal.values[indexAt(replay.t, at)] : valueAt(replay.t, signal.values, at);
    if (value === null || value === undefined) {
      put(signal.id, { text: words.noValue, isDoubtful: true }, 0);
      continue;
    }
    const isLevel = signal.id.endsWith(".level");
    // A level has no figure on the drawing: its text would change more often than its line.
    const text = isLevel ? "" : textOf(signal, value, system);
    put(signal.id, { value, text, isDoubtful: false }, isLevel ? STILL_M : Infinity);
  }
  for (const output of replay.outputs) {
    const on = isOn(output.on, at);
    put(`${output.id}.running`, { value: on ? 1 : 0, text: on ? words.section.running : words.section.resting, isDoubtful: false }, 0);
  }
  return values;
}

/** How many acts have happened by a moment. */
export function actsBy(acts: Act[], at: number): number {
  let n = 0;
  while (n < acts.length && (acts[n]?.t_s ?? Infinity) <= at) n += 1;
  return n;
}

/** `+6 min`, `+3 h 12 min`, `+2 d 4 h`, from the fault on. */
export function since(s: number): string {
  const sign = s < 0 ? "−" : "+";
  const t = Math.abs(s);
  if (t < 120) return `${sign}${Math.round(t)}\u00a0s`;
  const minutes = Math.round(t / 60);
  if (minutes < 60) return `${sign}${minutes}\u00a0min`;
  const [h, min] = [Math.floor(minutes / 60), minutes % 60];
  if (h < 48) return `${sign}${h}\u00a0h${min ? ` ${min}\u00a0min` : ""}`;
  return `${sign}${Math.floor(h / 24)}\u00a0d ${h % 24}\u00a0h`;
}

/** How far a signal goes in a run, as a share of what is much of its unit. */
function sweep(signal: ReplaySignal): number {
  let [low, high] = [Infinity, -Infinity];
  for (const value of signal.values) {
    if (value === null) continue;
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  if (!(high > low)) return 0;
  const much: Record<string, number> = { m: 0.1, degC: 3, "mg/L": 3, PSU: 1, pH: 0.3, dKH: 1, L: 10, "%": 50 };
  return (high - low) / (much[signal.unit] ?? Math.max(Math.abs(high), 1e-9));
}

/** Units of a requirement's margin, and of the signals that it is about. */
const ABOUT: Record<string, string[]> = { K: ["degC", "K"], mm: ["m", "mm"] };

/** The signals that tell most of a run: those in the unit of the requirement first, then what moves most. */
export function telling(replay: Replay, unit: string | undefined, most: number): string[] {
  const units = unit === undefined ? [] : (ABOUT[unit] ?? [unit]);
  return replay.signals
    .filter((signal) => signal.is_truth && !isBit(signal))
    .map((signal) => ({ id: signal.id, weight: sweep(signal) * (units.includes(signal.unit) ? 100 : 1) }))
    .filter(({ weight }) => weight > 0.01)
    .sort((a, b) => b.weight - a.weight)
    .slice(0, most)
    .map(({ id }) => id);
}
