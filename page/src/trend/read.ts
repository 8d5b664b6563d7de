// What was read of a series, in the unit in which it is shown. Pure.

import type { Series } from "../api/types.ts";
import { span } from "../time.ts";
import type { Shown } from "../units.ts";
import { named, words } from "../words.ts";
import { type Columns, row } from "./columns.ts";

const w = words.trends;

export interface Read {
  series: Series;
  as: Shown;
  columns: Columns;
  n: number;
}

export function shown(value: number | null | undefined, series: Series, { unit, digits }: Shown): string {
  if (typeof value !== "number") return "–";
  const figure = value.toFixed(series.is_bit ? 2 : digits).replace("-", "−");
  return unit === "" ? figure : `${figure}\u00a0${unit}`;
}

/** A series in words, over its columns from `first` until before `after`. */
export function inWords({ series, as, columns }: Read, first: number, after: number, fromMs: number, toMs: number): string {
  const all = row(columns, first, after);
  const gaps = columns.gaps.filter(([from, to]) => to > fromMs && from < toMs);
  const longest = Math.max(0, ...gaps.map(([from, to]) => to - from));
  if (!all) return `${named(series.name)}: ${w.empty}`;
  const text = (value: number) => shown(value, series, as);
  return `${w.summary(named(series.name), text(all.low), text(all.mean), text(all.high))}. ${w.gaps(gaps.length, span(longest))}`;
}
