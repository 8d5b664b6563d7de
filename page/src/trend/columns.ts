// Trends as columns for drawing: gaps stay gaps, quality stays with the value. Pure.

import type { Trend } from "../api/types.ts";

/** One series on the common grid of columns. `null`: a gap, or nothing that can be believed. `undefined`: no sample in this column, drawn across. */
export interface Columns {
  min: (number | null | undefined)[];
  max: (number | null | undefined)[];
  mean: (number | null | undefined)[];
  isUncertain: boolean[];
  isBad: boolean[];
  gaps: [number, number][];
}

/** Columns on which several series are laid: the finest of theirs, since the station answers each at the step that its own samples allow. */
export interface Grid {
  fromMs: number;
  stepMs: number;
  n: number;
}

export function gridOf(trends: Trend[], toMs: number): Grid {
  const fromMs = Math.min(...trends.map((trend) => trend.from_ms));
  const stepMs = Math.min(...trends.map((trend) => trend.step_ms));
  return { fromMs, stepMs, n: Math.max(0, Math.ceil((toMs - fromMs) / stepMs)) };
}

/** The middle of each column, s since 1970. */
export function times({ fromMs, stepMs, n }: Grid): number[] {
  return Array.from({ length: n }, (_, i) => (fromMs + (i + 0.5) * stepMs) / 1000);
}

/** `factor` and `offset` go from the station's unit to the one that is shown. */
export function columns(trend: Trend, { fromMs, stepMs, n }: Grid, factor: number, offset: number): Columns {
  const out: Columns = {
    min: Array(n).fill(undefined),
    max: Array(n).fill(undefined),
    mean: Array(n).fill(undefined),
    isUncertain: Array(n).fill(false),
    isBad: Array(n).fill(false),
    gaps: trend.gaps,
  };
  const shown = (value: number | null | undefined) => (value === null || value === undefined ? null : value * factor + offset);
  trend.at_ms.forEach((at, i) => {
    const column = Math.floor((at + trend.step_ms / 2 - fromMs) / stepMs);
    if (column < 0 || column >= n) return;
    out.min[column] = shown(trend.min[i]);
    out.max[column] = shown(trend.max[i]);
    out.mean[column] = shown(trend.mean[i]);
    out.isUncertain[column] = (trend.n_uncertain[i] ?? 0) > 0;
    out.isBad[column] = (trend.n_bad[i] ?? 0) > 0;
  });
  for (const [from, to] of trend.gaps) {
    // Columns that lie wholly within the gap; where it is shorter than a column nothing can be drawn.
    const first = Math.max(0, Math.floor((from - fromMs) / stepMs) + 1);
    const last = Math.min(n - 1, Math.floor((to - fromMs) / stepMs) - 1);
    for (let i = first; i <= last; i += 1) {
      if (out.mean[i] !== undefined) continue;
      out.min[i] = null;
      out.max[i] = null;
      out.mean[i] = null;
    }
  }
  return out;
}

export interface Summary {
  low: number;
  mean: number;
  high: number;
}

/** Over all columns, each with the same weight; nothing where there is no good value. */
export function summary(of: Columns): Summary | undefined {
  const known = (list: (number | null | undefined)[]) => list.filter((value) => typeof value === "number");
  const [low, mean, high] = [known(of.min), known(of.mean), known(of.max)];
  if (mean.length === 0) return undefined;
  return {
    low: low.reduce((a, b) => Math.min(a, b), Infinity),
    mean: mean.reduce((a, b) => a + b, 0) / mean.length,
    high: high.reduce((a, b) => Math.max(a, b), -Infinity),
  };
}

/** Lowest and highest of a run, and the mean. */
export function row(of: Columns, from: number, to: number): Summary | undefined {
  return summary({
    ...of,
    min: of.min.slice(from, to),
    max: of.max.slice(from, to),
    mean: of.mean.slice(from, to),
  });
}

export interface Range {
  from: number;
  to: number;
}

const H = 3_600_000;
export const RANGES = { h6: 6 * H, d1: 24 * H, w1: 7 * 24 * H, m1: 30 * 24 * H, y1: 365 * 24 * H };

/** Moved by a share of its length; never beyond now. */
export function shifted({ from, to }: Range, by: number, nowMs: number): Range {
  const d = Math.round((to - from) * by);
  const over = Math.max(0, to + d - nowMs);
  return { from: from + d - over, to: to + d - over };
}

/** The shortest and the longest range, in milliseconds: ten seconds, ten years. */
export const SHORTEST = 10_000;
export const LONGEST = 10 * RANGES.y1;

/** Made longer or shorter by a factor about its middle, between the shortest and the longest; never beyond now. */
export function scaled({ from, to }: Range, by: number, nowMs: number): Range {
  const length = Math.round(Math.min(LONGEST, Math.max(SHORTEST, (to - from) * by)));
  const start = Math.min(Math.round((from + to - length) / 2), nowMs - length);
  return { from: start, to: start + length };
}

/** Longer or shorter by a factor about a moment that keeps its place; between the shortest and the longest, never beyond now. */
export function zoomedRange({ from, to }: Range, by: number, about: number, nowMs: number): Range {
  const length = Math.min(LONGEST, Math.max(SHORTEST, (to - from) * by));
  const share = (about - from) / (to - from);
  const start = Math.round(Math.min(about - share * length, nowMs - length));
  return { from: start, to: start + Math.round(length) };
}

/** What is asked for to show a range: as much again on both sides, so that moving it shows data at once; in steps, so that a small move asks
 * for nothing new. */
export function around({ from, to }: Range, nowMs: number): Range {
  const length = to - from;
  const step = length / 4;
  const start = Math.floor((from - length / 2) / step) * step;
  return { from: Math.round(start), to: Math.round(Math.min(start + 2.25 * length, Math.max(to, nowMs))) };
}

/** The columns that lie in a range: first, and after the last. */
export function within(at: number[], { from, to }: Range): [number, number] {
  const first = at.findIndex((s) => s * 1000 >= from);
  if (first < 0) return [at.length, at.length];
  const after = at.findIndex((s) => s * 1000 > to);
  return [first, after < 0 ? at.length : after];
}

/** A trend as if it had come later. */
export function later(trend: Trend, ms: number): Trend {
  return {
    ...trend,
    from_ms: trend.from_ms + ms,
    at_ms: trend.at_ms.map((at) => at + ms),
    gaps: trend.gaps.map(([from, to]): [number, number] => [from + ms, to + ms]),
  };
}

/** The largest magnitude in a trend, by which its unit is chosen. */
export function largest(trend: Trend): number {
  return [...trend.min, ...trend.max].reduce<number>((most, value) => Math.max(most, Math.abs(value ?? 0)), 0);
}

/** Values at times of their own, laid on columns along straight lines between them; nothing outside of them or beside what is not known. */
export function onColumns(t: number[], values: (number | null)[], at: number[], factor: number, offset: number): (number | null)[] {
  let i = 0;
  return at.map((s) => {
    const ms = s * 1000;
    while (i + 1 < t.length && (t[i + 1] ?? Infinity) <= ms) i += 1;
    const [ta, tb, a, b] = [t[i], t[i + 1], values[i], values[i + 1]];
    if (ta === undefined || ms < ta || a === null || a === undefined) return null;
    if (ms === ta) return a * factor + offset;
    if (tb === undefined || b === null || b === undefined) return null;
    return (a + ((b - a) * (ms - ta)) / (tb - ta)) * factor + offset;
  });
}
