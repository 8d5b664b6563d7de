// The matrix of faults and requirements: what a cell shows, how rows are sorted and picked out. Pure.

import type { Cell, CellVerdict, Row, RowVerdict } from "../api/design.ts";
import { words } from "../words.ts";

/** From worst to best. */
export const VERDICTS: RowVerdict[] = ["breaks", "help_in_time", "accepted", "hidden", "holds"];

/** A shape for each verdict of a cell, so that colour is never alone. */
export const SIGN: Record<CellVerdict, string> = { untold: "▲", breach: "◭", accepted: "◇", hidden: "◌", ok: "·" };
export const ROW_SIGN: Record<RowVerdict, string> = { breaks: "▲", hidden: "◌", help_in_time: "◭", accepted: "◇", holds: "·" };

/** Hours as people read them: `6 min`, `2.1 h`, `37 h`, `3 d`. */
export function hours(h: number): string {
  if (h < 1) return `${Math.round(h * 60)}\u00a0min`;
  if (h < 10) return `${h.toFixed(1)}\u00a0h`;
  return h < 100 ? `${Math.round(h)}\u00a0h` : `${(h / 24).toFixed(1)}\u00a0d`;
}

/** The few letters in a cell: hours until harm, else the margin. */
export function brief(cell: Cell): string {
  if (cell.verdict !== "ok" && cell.verdict !== "hidden" && cell.hours_left !== undefined) return hours(cell.hours_left);
  return cell.margin_text;
}

/** A cell as a sentence. */
export function spoken(row: Row, cell: Cell): string {
  const w = words.faults;
  const what = w.cell[cell.verdict];
  const when = cell.hours_left !== undefined && cell.verdict !== "ok" ? w.after(hours(cell.hours_left)) : "";
  const told = cell.told_after_h !== undefined ? w.told(cell.told_by ?? "", hours(cell.told_after_h)) : "";
  const anyway = cell.anyway ? w.anyway : "";
  const margin = cell.margin_text ? w.margin(cell.margin_text) : "";
  return `${row.part} ${row.mode}, ${cell.requirement}: ${[`${what}${when}`, margin, told, anyway].filter(Boolean).join("; ")}`;
}

export interface Picking {
  /** Words that part, mode or sentence hold. */
  find: string;
  verdicts: ReadonlySet<RowVerdict>;
  /** Only rows that do not simply hold this one. */
  requirement: string;
}

export interface Order {
  by: "verdict" | "part" | "hours" | "margin";
  /** For `margin` and `hours`: of this requirement; empty: of all. */
  requirement: string;
}

export function cellOf(row: Row, requirement: string): Cell | undefined {
  return row.cells.find((cell) => cell.requirement === requirement);
}

export function picked(rows: Row[], { find, verdicts, requirement }: Picking): Row[] {
  const tokens = find.toLowerCase().split(/\s+/).filter(Boolean);
  return rows.filter((row) => {
    if (!verdicts.has(row.verdict)) return false;
    if (requirement !== "") {
      const cell = cellOf(row, requirement);
      if (!cell || cell.verdict === "ok" || cell.verdict === "hidden") return false;
    }
    const text = `${row.part} ${row.mode} ${row.sentence}`.replaceAll("_", " ").toLowerCase();
    return tokens.every((token) => text.includes(token.replaceAll("_", " ")));
  });
}

/** Soonest breach of a row, h; infinite: none. */
function soonest(row: Row, requirement: string): number {
  const cells = requirement === "" ? row.cells : row.cells.filter((cell) => cell.requirement === requirement);
  return Math.min(Infinity, ...cells.map((cell) => (cell.verdict === "ok" || cell.verdict === "hidden" ? Infinity : (cell.hours_left ?? Infinity))));
}

const numbers = (a: number, b: number) => (a === b ? 0 : a < b ? -1 : 1);

export function ordered(rows: Row[], { by, requirement }: Order): Row[] {
  const names = (a: Row, b: Row) => a.part.localeCompare(b.part) || a.mode.localeCompare(b.mode);
  const worst = (a: Row, b: Row) =>
    numbers(VERDICTS.indexOf(a.verdict), VERDICTS.indexOf(b.verdict)) || numbers(soonest(a, ""), soonest(b, "")) || names(a, b);
  const compare: Record<Order["by"], (a: Row, b: Row) => number> = {
    verdict: worst,
    part: names,
    hours: (a, b) => numbers(soonest(a, requirement), soonest(b, requirement)) || worst(a, b),
    margin: (a, b) => {
      const of = (row: Row) => cellOf(row, requirement)?.margin ?? Infinity;
      return numbers(of(a), of(b)) || worst(a, b);
    },
  };
  return [...rows].sort(compare[by]);
}

export function counts(rows: Row[]): Record<RowVerdict, number> {
  const out: Record<RowVerdict, number> = { breaks: 0, hidden: 0, help_in_time: 0, accepted: 0, holds: 0 };
  for (const row of rows) out[row.verdict] += 1;
  return out;
}
