// What a board tells, under the names that the sheet binds to. Pure.

import type { BoardNow, DriveNow, Sheet, SignalNow } from "../api/types.ts";
import { quantity, type System } from "../units.ts";
import { words } from "../words.ts";
import type { Known, Values } from "./view.ts";

export function signalText(signal: SignalNow, system: System): string {
  if (signal.value === undefined) return words.noValue;
  if (signal.is_bit) return signal.value !== 0 ? words.bits.on : words.bits.off;
  return quantity(signal.value, signal.unit, system);
}

/** What an output does, in a word that fits its kind. */
export function outputText(drive: DriveNow, output: number | undefined = drive.output): string {
  const hand = words.hand;
  if (output === undefined) return hand.unknown;
  if (drive.is_modulated) return `${Math.round(output)}\u00a0%`;
  const isOn = output !== 0;
  switch (drive.kind) {
    case "heater":
      return isOn ? hand.heating : hand.isOff;
    case "light":
      return isOn ? hand.lit : hand.dark;
    case "buzzer":
      return isOn ? hand.sounding : hand.silent;
    case "pump":
    case "dosing pump":
    case "circulation pump":
    case "air pump":
    case "skimmer":
    case "stirrer":
    case "fan":
      return isOn ? hand.running : words.section.resting;
    default:
      return isOn ? hand.isOn : hand.isOff;
  }
}

/** mm to the m that levels are bound in. */
const METRES: Record<string, number> = { m: 1, mm: 1e-3 };

/** mL/min to the m³/s that flows are bound in. */
const M3_PER_S = 1e-6 / 60;

export function valuesOf(board: BoardNow, isOld: boolean, system: System): Values {
  const values = new Map<string, Known>();
  for (const signal of board.signals) {
    const isDoubtful = isOld || signal.quality !== "good";
    const known: Known = { text: signalText(signal, system), isDoubtful, quality: signal.quality };
    if (signal.value !== undefined) known.value = signal.value;
    values.set(signal.name, known);
    // A derived signal named after a vessel's level moves its water line.
    const level = /^(.*)_level$/.exec(signal.name)?.[1];
    const metres = METRES[signal.unit];
    if (level && metres !== undefined && signal.value !== undefined) {
      values.set(`${level}.level`, { text: known.text, isDoubtful, value: signal.value * metres });
    }
    // One named after a pipe's flow moves the marks in it.
    const passage = /^(.*)_flow$/.exec(signal.name)?.[1];
    if (passage && signal.unit === "mL/min" && signal.value !== undefined) {
      values.set(`${passage}.flow`, { text: known.text, isDoubtful, value: signal.value * M3_PER_S });
    }
  }
  for (const drive of board.drives) {
    const known: Known = { text: outputText(drive), isDoubtful: isOld || drive.output === undefined };
    if (drive.output !== undefined) known.value = drive.output;
    values.set(`${drive.name}.running`, known);
  }
  return values;
}

/** Vessels whose water line is measured. */
export function measured(sheet: Sheet, values: Values): string[] {
  const tops = sheet.parts.flatMap((part) => part.bindings).filter((binding) => binding.property === "top");
  return [...new Set(tops.filter((binding) => values.has(binding.value)).map((binding) => binding.value.replace(/\.level$/, "")))];
}
