// Faults: what a cell says, how rows are sorted and picked out, what the section shows at a moment of a run.
import { expect, test } from "vitest";
import type { Cell, Replay, Row } from "../src/api/design.ts";
import { brief, counts, hours, ordered, picked, spoken, VERDICTS } from "../src/fmea/matrix.ts";
import { actsBy, indexAt, isOn, since, telling, valueAt, valuesAt } from "../src/fmea/replay.ts";

const cell = (requirement: string, verdict: Cell["verdict"], more: Partial<Cell> = {}): Cell => ({ requirement, verdict, margin_text: "", ...more });
const row = (part: string, mode: string, verdict: Row["verdict"], cells: Cell[]): Row => ({ fault: `${part}:${mode}`, part, mode, verdict, sentence: `${part} ${mode}`, spilled_l: 0, cells });
const rows = [
  row("float", "stuck-up", "hidden", [cell("hot", "hidden", { margin_text: "+2.1 K", margin: 2.1 })]),
  row("heater", "welded", "breaks", [cell("hot", "untold", { hours_left: 6.5, margin: -1 }), cell("flood", "ok", { margin: 3, margin_text: "+3 L" })]),
  row("pump", "seized", "breaks", [cell("cold", "untold", { hours_left: 2 })]),
  row("drain", "blocked", "holds", [cell("hot", "ok", { margin: 0.4, margin_text: "+0.4 K" })]),
];

test("a cell says hours until harm, else what is left; and all of it to who cannot see it", () => {
  const plain = (text: string) => text.replaceAll("\u00a0", " ");
  expect([0.1, 2.13, 37.2, 200].map(hours).map(plain)).toEqual(["6 min", "2.1 h", "37 h", "8.3 d"]);
  expect(plain(brief(rows[1]!.cells[0]!))).toBe("6.5 h");
  expect(brief(rows[3]!.cells[0]!)).toBe("+0.4 K");
  const told = cell("hot", "breach", { hours_left: 6.5, told_after_h: 0.2, told_by: "too_warm", margin_text: "−1.0 K" });
  expect(plain(spoken(rows[1]!, told))).toBe("heater welded, hot: breaks after 6.5 h; margin −1.0 K; told by too_warm after 12 min");
});

test("the worst first, the soonest of a requirement first, the least margin first", () => {
  const names = (list: Row[]) => list.map(({ part }) => part);
  expect(names(ordered(rows, { by: "verdict", requirement: "" }))).toEqual(["pump", "heater", "float", "drain"]);
  expect(names(ordered(rows, { by: "hours", requirement: "hot" }))[0]).toBe("heater");
  expect(names(ordered(rows, { by: "margin", requirement: "hot" })).slice(0, 3)).toEqual(["heater", "drain", "float"]);
  expect(counts(rows)).toEqual({ breaks: 2, hidden: 1, help_in_time: 0, accepted: 0, holds: 1 });
});

test("rows are picked out by words, verdicts and the requirement that they break", () => {
  const all = new Set(VERDICTS);
  const names = (list: Row[]) => list.map(({ part }) => part);
  expect(names(picked(rows, { find: "stuck", verdicts: all, requirement: "" }))).toEqual(["float"]);
  expect(names(picked(rows, { find: "", verdicts: new Set(["holds"]), requirement: "" }))).toEqual(["drain"]);
  expect(names(picked(rows, { find: "", verdicts: all, requirement: "hot" }))).toEqual(["heater"]);
});

const replay: Replay = {
  start_s: 0,
  step_s: 10,
  t: [0, 10, 20, 30],
  signals: [
    { id: "display.level", label: "Display level", unit: "m", is_truth: true, values: [0.5, 0.51, null, 0.53] },
    { id: "display_temp", label: "Display temp", unit: "degC", is_truth: false, values: [25, 26, 26, 26] },
    { id: "float", label: "Float", unit: "", is_truth: false, values: [0, 1, 1, 0] },
    { id: "display.temperature", label: "Display", unit: "degC", is_truth: true, values: [25, 28, 28, 28] },
  ],
  vessels: [{ id: "display", level_signal: "display.level" }],
  outputs: [{ id: "pump", label: "Pump", on: [[5, 12], [20, 30]] }],
  acts: [{ t_s: 0, what: "fault", id: "pump", text: "f" }, { t_s: 12, what: "trip", id: "pump.stall", text: "t" }],
  acts_left_out: 0,
  fault_text: "",
  instant: "lamps-on",
  corner: "nominal",
};

test("between points a value goes straight, over what is not known it waits", () => {
  expect(indexAt(replay.t, -5)).toBe(0);
  expect(indexAt(replay.t, 19.9)).toBe(1);
  expect(indexAt(replay.t, 99)).toBe(3);
  expect(valueAt(replay.t, replay.signals[0]!.values, 5)).toBeCloseTo(0.505, 9);
  expect(valueAt(replay.t, replay.signals[0]!.values, 15)).toBe(0.51);
  expect(valueAt(replay.t, replay.signals[0]!.values, 25)).toBeUndefined();
  expect([4, 5, 11.9, 12, 29].map((at) => isOn(replay.outputs[0]!.on, at))).toEqual([false, true, true, false, true]);
  expect([0, 11, 12].map((at) => actsBy(replay.acts, at))).toEqual([1, 1, 2]);
});

test("what the section shows; what reads the same is the same object, so that nothing is drawn twice", () => {
  const at = valuesAt(replay, 5, "metric");
  expect(at.get("display.level")?.value).toBeCloseTo(0.505, 9);
  expect(at.get("display_temp")?.text).toBe("25.50\u00a0°C");
  expect(at.get("float")?.text).toBe("no");
  expect(at.get("pump.running")?.value).toBe(1);
  const next = valuesAt(replay, 5.01, "metric", at);
  expect(next.get("display.level")).toBe(at.get("display.level"));
  expect(next.get("pump.running")).toBe(at.get("pump.running"));
  expect(valuesAt(replay, 25, "metric").get("display.level")?.isDoubtful).toBe(true);
});

test("the traces that tell most are true, move, and are in the unit of the requirement first", () => {
  expect(telling(replay, "K", 4)).toEqual(["display.temperature", "display.level"]);
  expect(telling(replay, "mm", 1)).toEqual(["display.level"]);
  const plain = (s: number) => since(s).replaceAll("\u00a0", " ");
  expect([30, 600, 11_520, 187_200, -30].map(plain)).toEqual(["+30 s", "+10 min", "+3 h 12 min", "+2 d 4 h", "−30 s"]);
});
