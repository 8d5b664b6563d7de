// What people read: units, times, names, the state of outputs, the drawing's water lines.
import { expect, test } from "vitest";
import type { BoardNow, DriveNow, EventRow, Order, Sheet } from "../src/api/types.ts";
import { viewOf } from "../src/router.ts";
import { outputText, valuesOf } from "../src/section/values.ts";
import { balloons, type Box, drawing, flows, moved, pace, shapesAt, tags, type Values, zoomed } from "../src/section/view.ts";
import { forInput, span } from "../src/time.ts";
import { quantity } from "../src/units.ts";
import { shortDevice } from "../src/views/account.tsx";
import { joined } from "../src/views/log.tsx";
import { ended, named, sentence } from "../src/words.ts";

test("quantities in metric and US units", () => {
  // 25 °C is 77 °F; 1 in is 25.4 mm; 1 US gal is 3.785 411 784 L and 128 fl oz (NIST Handbook 44, appendix C).
  expect(quantity(25, "degC", "metric")).toBe("25.00\u00a0°C");
  expect(quantity(25, "degC", "us")).toBe("77.00\u00a0°F");
  expect(quantity(25.4, "mm", "us")).toBe("1.00\u00a0in");
  expect(quantity(3785.411784, "mL", "us")).toBe("128.0\u00a0fl oz");
  // A difference has no zero point.
  expect(quantity(10, "K", "us")).toBe("18.00\u00a0°F");
  expect(quantity(-0.001, "degC", "metric")).toBe("0.00\u00a0°C");
  expect(quantity(-3, "%", "metric")).toBe("−3\u00a0%");
  expect(quantity(8.123, "pH", "us")).toBe("8.12\u00a0pH");
  expect(quantity(3, "", "us")).toBe("3.00");
});

test("spans are exact enough to act on", () => {
  const text = (ms: number) => span(ms).replaceAll("\u00a0", " ");
  expect([0, 40_000, 25 * 60_000, 5.5 * 3_600_000, 76 * 3_600_000, -5].map(text)).toEqual(["0 s", "40 s", "25 min", "5 h 30 min", "3 d 4 h", "0 s"]);
  expect(forInput(new Date(2026, 2, 4, 5, 6).getTime())).toBe("2026-03-04T05:06");
});

test("names and sentences", () => {
  expect(named("float_c_low")).toBe("Float c low");
  expect(sentence("topoff_pump has tripped on its `longest_run`")).toBe("Topoff pump has tripped on its longest run.");
  expect(sentence("pH out of its band")).toBe("pH out of its band.");
  expect(sentence("ph at its lowest 8.03, the display 24.9 to 25.3 degC")).toBe("pH at its lowest 8.03, the display 24.9 to 25.3\u00a0°C.");
  expect(ended("mara notes: all is well!")).toBe("mara notes: all is well!");
});

const drive: DriveNow = { name: "fans", kind: "fan", output: 1, is_modulated: false, hand_left_ms: 0, by: "rule", why: "by its rule" };

test("an output that is not known is not said to rest", () => {
  const { output: _, ...unknown } = drive;
  expect(outputText(unknown)).toBe("not known");
  expect(outputText({ ...drive, kind: "heater" })).toBe("heating");
  expect(outputText({ ...drive, kind: "contactor", output: 0 })).toBe("off");
  expect(outputText({ ...drive, is_modulated: true, output: 35.4 })).toBe("35\u00a0%");
});

test("the log shows nothing as whole that it does not know", () => {
  const event = (id: number, at_ms: number): EventRow => ({ id, at_ms, board: "tank", kind: "trip", text: "t" });
  const order = { id: 1, at_ms: 40, board: "tank", who: "w", why: "y", what: "x", status: "done", detail: "" } as Order;
  const note = { id: 1, written_ms: 5, from_ms: 5, to_ms: 5, who: "w", text: "n", photos: [] };
  expect(joined([event(2, 50), event(1, 10)], [order], [note], true).map(({ key }) => key)).toEqual(["e2", "c1", "e1", "n1"]);
  // Of commands only those since 40 are known so far: what is older waits.
  expect(joined([event(2, 50), event(1, 10)], [order], [note], false).map(({ key }) => key)).toEqual(["e2", "c1"]);
});

const sheet: Sheet = {
  size: [297, 210],
  scale: 12,
  title: "t",
  description: "d",
  labels: [],
  parts: [
    {
      id: "water.display",
      name: "display",
      layer: "water",
      anchor: [20, 20],
      shapes: [{ kind: "area", ink: "water", points: [[10, 50], [30, 50], [30, 90], [10, 90]] }],
      bindings: [{ value: "display.level", unit: "m", property: "top", zero: 90, per_unit: -100 }],
    },
    { id: "frame", name: "frame", layer: "frame", anchor: [0, 0], shapes: [{ kind: "area", ink: "frame", points: [[6, 6], [291, 204]] }], bindings: [] },
  ],
};

test("a measured level moves the water's upper edge, and nothing else", () => {
  const board = { signals: [{ name: "display_level", value: 300, unit: "mm", quality: "good", is_bit: false }], drives: [] } as unknown as BoardNow;
  const values = valuesOf(board, false, "metric");
  const [shape] = shapesAt(sheet.parts[0]!, values);
  expect(shape).toMatchObject({ points: [[10, 60], [30, 60], [30, 90], [10, 90]] });
  expect(shapesAt(sheet.parts[0]!, new Map())).toBe(sheet.parts[0]!.shapes);
});

test("the window stays on the paper", () => {
  const most: Box = drawing(sheet);
  expect(most).toEqual([7, 47, 26, 46]);
  const close = zoomed(most, 2, [20, 70], most);
  expect(close).toEqual([13.5, 58.5, 13, 23]);
  expect(moved(close, 100, -100, most)).toEqual([20, 47, 13, 23]);
  expect(zoomed(close, 0.1, [20, 70], most)).toEqual(most);
});

test("figures beside their probes do not lie over each other", () => {
  const probe = (id: string, x: number, y: number) => ({ id, name: id, layer: "gear", anchor: [x, y] as [number, number], shapes: [], bindings: [{ value: id, unit: "", property: "reading" as const, zero: 0, per_unit: 0 }] });
  const values = new Map(["a", "b", "c"].map((id) => [id, { value: 25, text: "25.00 °C", isDoubtful: false }]));
  const all = tags([probe("a", 0, 0), probe("b", 5, 1), probe("c", 100, 1)], values, 4, () => true);
  expect(all.map(({ at }) => at[1])).toEqual([1.2, 5.2, 2.2]);
  // A value that cannot be believed has no figure.
  expect(tags([probe("d", 0, 0)], new Map([["d", { text: "no value", isDoubtful: true }]]), 4, () => true)).toEqual([]);
});

test("addresses of views, and browsers by name", () => {
  expect(["/", "/night", "/hand/x", "/unknown"].map(viewOf)).toEqual(["now", "night", "hand", "now"]);
  expect(shortDevice("Mozilla/5.0 (Android 16; Mobile) Firefox/150")).toBe("Firefox, Android");
  expect(shortDevice("curl/8.5")).toBe("curl/8.5");
});

test("marks move where water is known to move, and slower in a dosing line than in a return", () => {
  const pipe = { kind: "pipe" as const, width: 2, points: [[0, 0], [10, 0]] as [number, number][] };
  const bind = (value: string, property: "flow" | "running") => ({ value, property, unit: "", zero: 0, per_unit: 0 });
  const part = { id: "passage.return", name: "return", layer: "pipe", anchor: [5, 0] as [number, number], shapes: [pipe], bindings: [bind("return.flow", "flow"), bind("pump.running", "running")] };
  const known = (value: number) => ({ value, text: "", isDoubtful: false });
  const all = (values: Values) => flows([part], values).map((flow) => [Math.sign(flow.pace), flow.isMeasured]);
  expect(all(new Map())).toEqual([]);
  expect(all(new Map([["pump.running", known(1)]]))).toEqual([[1, false]]);
  // What the meter says counts, whatever the pump is told.
  expect(all(new Map([["pump.running", known(1)], ["return.flow", known(0)]]))).toEqual([]);
  expect(all(new Map([["return.flow", known(-1e-4)]]))).toEqual([[-1, true]]);
  expect(pace(1.8 / 3.6e6)).toBeLessThan(pace(2400 / 3.6e6) / 3);
  expect(pace(0)).toBe(0);
});

test("a sentence that names parts gets its number beside them", () => {
  const part = (name: string) => ({ id: `actuator.${name}`, name, layer: "gear", anchor: [1, 2] as [number, number], shapes: [], bindings: [] });
  const sheet = { parts: [part("pump"), part("topoff_pump")] } as unknown as Sheet;
  expect(balloons(["`topoff_pump` of tank has tripped", "all is well", "topoff_pump and pump"], sheet)).toEqual([
    { at: [1, 2], n: [1, 3] },
    { at: [1, 2], n: [3] },
  ]);
});
