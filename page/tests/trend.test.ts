// Trends: a gap is never drawn over, and what cannot be believed is not drawn.
import { expect, test } from "vitest";
import type { Trend } from "../src/api/types.ts";
import { around, columns, onColumns, gridOf, LONGEST, row, scaled, SHORTEST, shifted, summary, times, zoomedRange } from "../src/trend/columns.ts";
import { flags, marksOf } from "../src/trend/marks.ts";

const trend: Trend = {
  from_ms: 0,
  step_ms: 1000,
  // 2 s and 6 s have no sample of their own; 3 s to 5 s is a gap; 8 s is bad.
  at_ms: [0, 1000, 3000, 7000, 8000, 9000],
  min: [1, 1, 2, 5, null, 4],
  max: [2, 3, 4, 7, null, 6],
  mean: [1.5, 2, 3, 6, null, 5],
  n_uncertain: [0, 2, 0, 0, 0, 0],
  n_bad: [0, 0, 0, 0, 4, 0],
  gaps: [[3500, 7000]],
};

const grid = gridOf([trend], 10_000);

test("no sample is drawn across, a gap and bad quality are not", () => {
  const of = columns(trend, grid, 1, 0);
  expect(of.mean).toEqual([1.5, 2, undefined, 3, null, null, null, 6, null, 5]);
  expect(of.isUncertain[1]).toBe(true);
  expect(of.isBad[8]).toBe(true);
  expect(times(grid)).toHaveLength(10);
  expect(times(grid)[0]).toBe(0.5);
});

test("a gap between samples of neighbouring columns leaves both", () => {
  const of = columns({ ...trend, gaps: [[1000, 3000]] }, grid, 1, 0);
  expect(of.mean.slice(0, 4)).toEqual([1.5, 2, null, 3]);
});

test("units are those that are shown", () => {
  expect(columns(trend, grid, 1.8, 32).mean[0]).toBeCloseTo(34.7);
});

test("lowest and highest are those of the bands, not of the means", () => {
  const of = columns(trend, grid, 1, 0);
  expect(summary(of)).toEqual({ low: 1, mean: 3.5, high: 7 });
  expect(row(of, 4, 7)).toBeUndefined();
  expect(row(of, 7, 10)).toEqual({ low: 4, mean: 5.5, high: 7 });
});

test("a range never goes beyond now", () => {
  expect(shifted({ from: 0, to: 100 }, 0.5, 1000)).toEqual({ from: 50, to: 150 });
  expect(shifted({ from: 900, to: 1000 }, 0.5, 1000)).toEqual({ from: 900, to: 1000 });
  expect(shifted({ from: 900, to: 1000 }, -0.5, 1000)).toEqual({ from: 850, to: 950 });
});

test("a range is scaled about its middle, within its limits, never beyond now", () => {
  const range = { from: 100_000, to: 200_000 };
  expect(scaled(range, 0.5, 1_000_000)).toEqual({ from: 125_000, to: 175_000 });
  expect(scaled(range, 2, 1_000_000)).toEqual({ from: 50_000, to: 250_000 });
  expect(scaled(range, 2, 200_000)).toEqual({ from: 0, to: 200_000 });
  const length = ({ from, to }: typeof range) => to - from;
  expect(length(scaled(range, 1e-6, 1_000_000))).toBe(SHORTEST);
  expect(length(scaled(range, 1e9, 1_000_000))).toBe(LONGEST);
});

test("a series of coarser columns stands beside a finer one at its own times", () => {
  const coarse: Trend = { ...trend, from_ms: -2000, step_ms: 4000, at_ms: [-2000, 2000, 6000], min: [1, 2, 3], max: [1, 2, 3], mean: [1, 2, 3], n_uncertain: [0, 0, 0], n_bad: [0, 0, 0], gaps: [] };
  const both = gridOf([trend, coarse], 10_000);
  expect(both).toEqual({ fromMs: -2000, stepMs: 1000, n: 12 });
  const at = (of: Trend, value: number) => times(both)[columns(of, both, 1, 0).mean.indexOf(value)];
  // The middle of the column from 2 s to 6 s, and the column from 7 s to 8 s, to half a column.
  expect(at(coarse, 2)).toBe(4.5);
  expect(at(trend, 6)).toBe(7.5);
  expect(columns(coarse, both, 1, 0).mean.filter((value) => value !== undefined)).toEqual([1, 2, 3]);
});

test("zooming keeps the moment in its place, and never goes beyond now", () => {
  const range = { from: 1_000_000, to: 2_000_000 };
  const closer = zoomedRange(range, 0.5, 1_250_000, 9e9);
  expect((1_250_000 - closer.from) / (closer.to - closer.from)).toBeCloseTo(0.25, 5);
  expect(zoomedRange(range, 4, 1_500_000, 2_000_000).to).toBe(2_000_000);
  expect(zoomedRange(range, 1e-9, 1_500_000, 9e9).to - zoomedRange(range, 1e-9, 1_500_000, 9e9).from).toBe(SHORTEST);
});

test("what is asked for holds the range with room on both sides, and a small move asks for nothing new", () => {
  const range = { from: 10_000_000, to: 11_000_000 };
  const asked = around(range, 9e9);
  expect(asked.from).toBeLessThanOrEqual(range.from - 500_000);
  expect(asked.to).toBeGreaterThanOrEqual(range.to + 500_000);
  expect(around({ from: range.from + 1000, to: range.to + 1000 }, 9e9)).toEqual(asked);
  expect(around(range, range.to).to).toBe(range.to);
});

test("flags that stand too close share one, and a note among them makes it full", () => {
  const events = [
    { id: 1, at_ms: 0, board: "b", kind: "trip", text: "a" },
    { id: 2, at_ms: 9000, board: "b", kind: "trip", text: "c" },
  ];
  const notes = [{ id: 1, written_ms: 5, from_ms: 50, to_ms: 50, who: "m", text: "b", photos: [] }];
  const marks = marksOf(events, notes);
  expect(marks.map(({ n, text }) => `${n}${text}`)).toEqual(["1a", "2b", "3c"]);
  expect(flags(marks, 100).map(({ text, hasNote }) => [text, hasNote])).toEqual([["1–2", true], ["3", false]]);
});

test("what is expected is laid on the columns along straight lines, and nowhere else", () => {
  expect(onColumns([1000, 3000, 5000], [1, 3, null], [0.5, 1, 2, 3, 4, 6], 2, 1)).toEqual([null, 3, 5, 7, null, null]);
});
