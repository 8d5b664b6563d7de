// The course of single measurements: where they stand on the picture.

import { expect, test } from "vitest";
import { placed } from "../src/trend/course.tsx";

const DAY = 86_400_000;

test("points stand within the picture, the band where it lies near", () => {
  const points = [8, 7.5, 7].map((value, i) => ({ at_ms: i * DAY, value }));
  const near = placed(points, [], [7, 8.3]);
  expect([near.low, near.high]).toEqual([7, 8.3]);
  // One that is far would press the points together.
  const far = placed(points, [], [20, 30]);
  expect([far.low, far.high]).toEqual([7, 8]);
  expect(placed(points, [], [20, 30], true).high).toBe(30);
  expect(near.x(0)).toBeLessThan(near.x(2 * DAY));
  expect(near.y(8)).toBeLessThan(near.y(7));
});

test("a single point has room around it", () => {
  const one = placed([{ at_ms: DAY, value: 5 }], [], undefined);
  expect(one.low).toBeLessThan(5);
  expect(one.from).toBeLessThan(DAY);
  expect(Number.isFinite(one.x(DAY)) && Number.isFinite(one.y(5))).toBe(true);
});
