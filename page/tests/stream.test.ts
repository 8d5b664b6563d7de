// Server-sent events: held against the form that the WHATWG HTML standard gives them (section 9.2.6).
import { expect, test } from "vitest";
import { Parser, pause } from "../src/api/stream.ts";

test("the standard's examples", () => {
  expect(new Parser().push("data: YHOO\ndata: +2\ndata: 10\n\n")).toEqual([{ event: "message", data: "YHOO\n+2\n10" }]);
  const parser = new Parser();
  // ": test stream", then a message with an id, one whose id is set back, one whose value begins with a space.
  const all = parser.push(": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n\n");
  expect(all.map(({ data }) => data)).toEqual(["first event", "second event", " third event"]);
  expect(parser.lastId).toBe("");
  // The block without a blank line at its end is no message.
  expect(new Parser().push("data\n\ndata\ndata\n\ndata:")).toEqual([
    { event: "message", data: "" },
    { event: "message", data: "\n" },
  ]);
});

test("however the stream is cut into pieces, the same messages come out", () => {
  const stream = "id: a-1\r\nevent: state\r\ndata: {\"x\":1}\r\n\r\n:\n\nevent: now\rdata: 2\r\rid: a-2\ndata: 3\n\n";
  const whole = new Parser().push(stream);
  expect(whole).toEqual([
    { event: "state", data: '{"x":1}' },
    { event: "now", data: "2" },
    { event: "message", data: "3" },
  ]);
  for (let size = 1; size < stream.length; size += 1) {
    const parser = new Parser();
    const pieces = stream.match(new RegExp(`[^]{1,${size}}`, "g")) ?? [];
    expect(pieces.flatMap((piece) => parser.push(piece))).toEqual(whole);
    expect(parser.lastId).toBe("a-2");
  }
});

test("an id counts once its message is whole", () => {
  const parser = new Parser();
  parser.push("id: 1\ndata: x\n\nid: 2\ndata: half");
  expect(parser.lastId).toBe("1");
});

test("tries become rarer, up to half a minute and a little, and never all at once", () => {
  expect(pause(0, 0.5)).toBe(1000);
  expect(pause(3, 0.5)).toBe(8000);
  expect(pause(99, 1)).toBe(37_500);
  expect(pause(0, 0)).toBe(750);
});
