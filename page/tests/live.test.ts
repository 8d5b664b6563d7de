// What is now: changes go to where they belong and touch nothing else.
import { expect, test } from "vitest";
import type { BoardNow, State } from "../src/api/types.ts";
import { ageOf, isOld, merged } from "../src/live.ts";

function board(name: string): BoardNow {
  return {
    name,
    system: "reef",
    link: { state: "up", since_ms: 0 },
    newest_ms: 1000,
    scan: 1,
    is_clock_good: true,
    signals: [
      { name: "a", value: 1, unit: "mm", quality: "good", is_bit: false },
      { name: "b", value: 2, unit: "mm", quality: "good", is_bit: false },
    ],
    drives: [],
    trips: [{ id: "pump.stall", actuator: "pump", cause: "stall", is_latched: false }],
    procedures: [],
  };
}

const state: State = {
  at_ms: 1000,
  station: "s",
  version: "1",
  started_ms: 0,
  boards: [board("tank"), board("frag")],
  alarms: [],
  attention: ["x"],
  morning: [],
};

test("a change replaces what it names, and keeps the order", () => {
  const next = merged(state, {
    at_ms: 2000,
    boards: [
      {
        name: "frag",
        link: { state: "silent", since_ms: 1500 },
        is_clock_good: false,
        signals: [{ name: "b", unit: "mm", quality: "bad", is_bit: false }],
        trips: [{ id: "pump.stall", actuator: "pump", cause: "stall", is_latched: true, since_ms: 1500 }],
      },
    ],
  });
  expect(next.boards[0]).toBe(state.boards[0]);
  const frag = next.boards[1];
  expect(frag?.signals.map(({ name, quality }) => [name, quality])).toEqual([["a", "good"], ["b", "bad"]]);
  // A bad value is gone, not the one before.
  expect(frag?.signals[1]).not.toHaveProperty("value");
  expect(frag?.trips[0]?.is_latched).toBe(true);
  expect(frag?.link.state).toBe("silent");
  expect(frag?.newest_ms).toBe(1000);
  expect(next.attention).toEqual(["x"]);
  expect(next.at_ms).toBe(2000);
});

test("an empty list is a change, a missing one is none", () => {
  expect(merged(state, { at_ms: 2, attention: [] }).attention).toEqual([]);
  expect(merged(state, { at_ms: 2 }).attention).toEqual(["x"]);
});

test("values are old after a minute, at once when the board is gone, and when there were none", () => {
  const { newest_ms: _, ...never } = board("tank");
  expect(ageOf(never, 5000)).toBeUndefined();
  expect(isOld(never, 5000)).toBe(true);
  expect(isOld(board("tank"), 61_000)).toBe(false);
  expect(isOld(board("tank"), 61_001)).toBe(true);
  expect(isOld({ ...board("tank"), link: { state: "down", since_ms: 0 } }, 1000)).toBe(true);
});
