// Design: what a handle means in the file, and what a form may hold of it.
import { expect, test } from "vitest";
import type { Handle } from "../src/api/design.ts";
import { dragged, drawnOf, kept, moves, placed, written } from "../src/design/handle.ts";
import { asValue, tableOf, tables } from "../src/design/tables.ts";

const handle: Handle = {
  id: "sensor.f.high",
  path: "sensor.f",
  key: "high",
  kind: "height",
  part: "sensor.f",
  at: { x: 100, y: 50 },
  axis: "y",
  value_m: 0.215,
  min: 0,
  max: 0.4,
  // At scale 1:12 a mm of paper is 12 mm; y goes down.
  unit_m_per_sheet: -0.012,
  unit: "mm",
  text: "215 mm",
};
const low: Handle = { ...handle, id: "sensor.f.low", key: "low", value_m: 0.213, text: "213 mm" };

test("a handle goes by whole millimetres, stays within its bounds, and is written in the unit of the file", () => {
  expect(written(handle, dragged(handle, -1))).toBe("227 mm");
  expect(dragged(handle, -100)).toBe(0.4);
  expect(placed(handle, 0.227)[1]).toBeCloseTo(49, 6);
  expect(written({ ...handle, unit: "cm" }, 0.2)).toBe("20 cm");
  expect(written({ ...handle, unit: "m" }, 0.2155)).toBe("0.215 m");
  // 1 in is 25.4 mm by definition: a sixteenth is 1.5875 mm.
  const inch = { ...handle, unit: "in", max: 1 };
  expect(written(inch, kept(inch, 0.2))).toBe("7.875 in");
  // A unit that this page does not know is written in mm.
  expect(written({ ...handle, unit: "hand" }, 0.2)).toBe("200 mm");
});

test("a float moves with both heights, the one first that leaves the file right", () => {
  const all = [low, handle];
  expect(moves(handle, 0.225, all)).toEqual([
    { op: "set", path: "sensor.f", key: "high", value: "225 mm" },
    { op: "set", path: "sensor.f", key: "low", value: "223 mm" },
  ]);
  expect(moves(handle, 0.2, all).map((edit) => "key" in edit && edit.key)).toEqual(["low", "high"]);
  expect(drawnOf(all)).toEqual([handle]);
});

test("the keys of every table with what a form can hold; lists and tables are left to the text", () => {
  const text = `# [[vessel]] in a remark
[system]
scan = "1 s" # each
[[vessel]]
name = "a" # "quoted" remark
size = [
  "1 m", # ]
  "2 m",
]
open = true
salt = 35
drops = { big = "# no remark" }
note = """
name = "not this"
"""
[vessel.trim]
x = 1
[[rule]]
drives = "heater"
start = 'a < "b"'
`;
  const all = tables(text);
  expect(all.map(({ path, line }) => `${path}@${line}`)).toEqual(["system@2", "vessel.a@4", "rule.heater@18"]);
  const keys = Object.fromEntries(all[1]!.entries.map(({ key, value, comment }) => [key, [value, comment]]));
  expect(keys).toEqual({ name: ["a", '"quoted" remark'], size: [undefined, ""], open: [true, ""], salt: [35, ""], drops: [undefined, ""], note: [undefined, ""] });
  expect(all[2]!.entries[1]?.value).toBe('a < "b"');
  expect(tableOf(all, "water.a")?.path).toBe("vessel.a");
  expect(tableOf(all, "frame")).toBeUndefined();
  const salt = all[1]!.entries.find(({ key }) => key === "salt")!;
  expect([asValue(salt, "36.5"), asValue(salt, "36 PSU")]).toEqual([36.5, "36 PSU"]);
});
