// A stand-in for the station: the same addresses, answers and headers with invented data, and ways to let it fail. It lets the page be tested
// where no station was built, and in states that a station takes long to come to.

import { readFileSync } from "node:fs";
import { createServer, type IncomingMessage, type ServerResponse } from "node:http";
import type { AddressInfo } from "node:net";
import { extname } from "node:path";
import type { Draft, Edit, Handle, Look } from "../src/api/design.ts";
import type { AlarmNow, CareDone, DriveNow, JoinedNow, Note, Order, Photo, Revisions, Role, SignalNow, State, Trend, Weighed } from "../src/api/types.ts";
import { calibrated, calibrations, dosePlan, limePlan, reading, water, waterChange } from "./stand-in-care.ts";
import { fitNow } from "./stand-in-twin.ts";
import { careItems, mends, plan, program, replay, rows, wiring } from "./stand-in-faults.ts";

const dist = new URL("../dist/", import.meta.url);
/** As the station sends it. */
const POLICY =
  "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";
const KINDS: Record<string, string> = {
  ".html": "text/html; charset=utf-8",
  ".js": "text/javascript; charset=utf-8",
  ".css": "text/css; charset=utf-8",
  ".svg": "image/svg+xml",
  ".png": "image/png",
  ".webmanifest": "application/json",
};
const H = 3_600_000;

function signal(name: string, unit: string, value: number | undefined, quality: SignalNow["quality"] = "good"): SignalNow {
  return { name, unit, quality, is_bit: false, ...(value === undefined ? {} : { value }) };
}

function bit(name: string, value: 0 | 1, since_ms: number): SignalNow {
  return { name, unit: "", quality: "good", is_bit: true, value, since_ms };
}

function drive(name: string, kind: string, output: number, since_ms: number, more: Partial<DriveNow> = {}): DriveNow {
  return { name, kind, output, since_ms, is_modulated: false, hand_left_ms: 0, by: "rule", why: "by its rule", ...more };
}

function joinedNow(now: number): JoinedNow {
  const because = "its `sump_temp > 25.6 degC` holds (sump_temp 25.71 degC)";
  return {
    name: "old",
    system: "Harbour Lane reading-room reef",
    line: "serial port /dev/ttyUSB0 at 9600 bit/s",
    is_up: true,
    line_since_ms: now - 30 * H,
    newest_ms: now - 2_000,
    is_silent: false,
    is_running: true,
    since_ms: now - 30 * H,
    until_ms: now - 1_000,
    n_lines: 10_804,
    n_understood: 10_801,
    n_lost: 0,
    refused: [{ reason: "not-text", means: "no text; check the speed of the serial line and its ground wire", n: 3, example: "··þ" }],
    outputs: [
      {
        name: "heater_sump",
        is_modulated: false,
        theirs: 100,
        ours: 0,
        is_compared: true,
        because,
        differs_since_ms: now - 9 * 60_000,
        compared_s: 108_000,
        less_s: 7_800,
        more_s: 0,
        sentences: [`heater_sump: the rules would have been off 2 h 10 min longer (3 times, first at 2026-03-01 14:05:10, because ${because}).`],
      },
      { name: "light", is_modulated: false, theirs: 0, ours: 0, is_compared: true, compared_s: 108_000, less_s: 0, more_s: 0, sentences: ["light: as the rules would have it, for 1 d 6 h."] },
    ],
    inputs: ["Not in the map, so that the rules took each for a failed probe all the time: leak_1, leak_2."],
    notes: [],
    differences: [
      { output: "heater_sump", from_ms: now - 9 * 60_000, theirs: 100, ours: 0, because, sentence: `2026-03-02 18:21:10 since then: heater_sump was on, the rules would have had it off, because ${because}.` },
    ],
    n_more_differences: 2,
  };
}

function state(now: number): State {
  const alarm = (id: string, text: string, more: Partial<AlarmNow>): AlarmNow => ({
    id: `tank/${id}`,
    text,
    priority: "medium",
    state: "unacknowledged",
    words: "unacknowledged",
    since_ms: now - 25 * 60_000,
    is_first_out: false,
    is_chattering: false,
    is_stale: false,
    ...more,
  });
  return {
    at_ms: now,
    station: "Harbour Lane reading-room reef",
    version: "0.1.0",
    started_ms: now - 40 * 24 * H,
    boards: [
      {
        name: "tank",
        system: "Harbour Lane reading-room reef",
        link: { state: "up", since_ms: now - 30 * H },
        newest_ms: now - 400,
        scan: 108_000,
        is_clock_good: true,
        signals: [
          signal("display_temp", "degC", 25.31),
          signal("display_temp_2", "degC", 25.25),
          signal("sump_temp", "degC", 25.44, "uncertain"),
          signal("ph", "pH", undefined, "bad"),
          bit("float_c_low", 0, now - 2 * H),
          bit("float_c_high", 0, now - 90 * H),
          bit("leak_1", 0, now - 300 * H),
          signal("return_flow", "mL/min", 40_200),
          signal("battery_charge", "%", 98.2),
          signal("lime_today", "mL", 820),
        ],
        drives: [
          drive("return_pump", "pump", 1, now - 30 * H),
          drive("circulation_1", "circulation pump", 1, now - 30 * H),
          drive("skimmer", "skimmer", 0, now - 8 * 60_000, { by: "hand", hand_left_ms: 720_000, why: "in hand for 12 min more" }),
          drive("heater_display", "heater", 1, now - 9 * 60_000),
          drive("heater_sump", "heater", 0, now - 50 * 60_000),
          drive("light", "light", 1, now - 3 * H),
          drive("fans", "fan", 35, now - H, { is_modulated: true }),
          drive("topoff_pump", "dosing pump", 0, now - 26 * 60_000, {
            by: "trip",
            why: "stopped: topoff_pump by longest_run has tripped and stays until it is reset",
          }),
        ],
        trips: [
          { id: "topoff_pump.longest_run", actuator: "topoff_pump", cause: "longest_run", is_latched: true, since_ms: now - 26 * 60_000 },
          { id: "heater_display.stall", actuator: "heater_display", cause: "stall", is_latched: false },
        ],
        procedures: [
          {
            name: "feeding",
            title: "Feeding",
            step: 0,
            steps: [{ text: "Return and skimmer rest while the animals eat", longest_s: 600, confirm: true }],
          },
        ],
      },
    ],
    alarms: [
      alarm("topoff_stopped", "Top-off stopped or its reservoir nearly empty", { is_first_out: true }),
      alarm("level_not_kept", "Top-off has called for two hours without success", {
        state: "acknowledged",
        words: "acknowledged",
        acknowledged_by: "mara",
      }),
      alarm("ph_range", "pH out of its band", {
        priority: "low",
        state: "shelved",
        words: "shelved",
        shelved_until_ms: now + 5 * H,
        aside: "mara: probe is being calibrated",
      }),
    ],
    attention: [
      "Top-off stopped or its reservoir nearly empty (medium, unacknowledged)",
      "topoff_pump of tank has tripped on its `longest_run` and waits for a reset.",
      "skimmer of tank is in hand for 12 min more.",
    ],
    morning: [
      { text: "One trip, one hand and one shelved alarm were left on.", needs_attention: true },
      { text: "The display was between 25.0 and 25.6 °C last night.", needs_attention: false },
      { text: "Top-off added 3.1 L; 4.7 L was expected.", needs_attention: true },
      { text: "The reservoir lasts 3.2 days.", needs_attention: false },
      { text: "Newest data: 1 s old.", needs_attention: false },
    ],
  };
}

/** A text for the desk, small enough to be read here. */
const DESK_TEXT = `# A tank for tests.
[system]
name = "Harbour Lane reading-room reef"

[[vessel]]
name = "sump_c"
height = "400 mm"   # to the rim

[[sensor]]
name = "float_c_high"
kind = "float"
high = "215 mm"
low = "213 mm"

[[actuator]]
name = "heater_sump"
kind = "heater"
power = "200 W"
`;

/** Looks at a text as the station does, as far as the tests need it: one handle, one finding. */
function look(text: string, edits: Edit[]): Look {
  let refused: Look["refused"];
  let made = text;
  edits.forEach((edit, n) => {
    const name = "path" in edit ? edit.path.split(".")[1] : "";
    if (edit.op === "set") {
      if (String(edit.value).includes("?")) refused ??= { edit: n, message: `\`${edit.value}\` is no quantity`, diagnostics: [] };
      const line = new RegExp(`(name = "${name}"[^[]*?\\n${edit.key} = )("[^"]*"|[\\w.]+)`);
      made = made.replace(line, (_, before: string) => before + JSON.stringify(edit.value));
    }
  });
  for (const edit of edits) {
    if (edit.op !== "add") continue;
    const lacks = ["low", "high"].filter((key) => !(key in edit.values));
    if (lacks.length > 0) {
      const diagnostics = lacks.map((key) => ({ id: "missing-key", severity: "error" as const, message: `sensor \`${edit.id}\` lacks \`${key}\``, cure: `add \`${key} = "197 mm"\``, about: [edit.id] }));
      refused = { edit: 0, message: "the edit is refused", diagnostics };
    } else {
      made += `\n[[sensor]]\nname = "${edit.id}"\n${Object.entries(edit.values).map(([key, value]) => `${key} = ${JSON.stringify(value)}\n`).join("")}`;
    }
  }
  if (refused) made = text;
  const lines = made.split("\n");
  const at = lines.findIndex((line) => line.startsWith("high = "));
  const high = Number(/\d+/.exec(lines[at] ?? "")?.[0]);
  const low = Number(/low = "(\d+)/.exec(made)?.[1]);
  const sheet = JSON.parse(readFileSync(new URL("fixtures/section.json", import.meta.url), "utf8"));
  const handle = (key: string, mm: number): Handle => ({
    id: `sensor.float_c_high.${key}`,
    path: "sensor.float_c_high",
    key,
    kind: "height",
    part: "sensor.float_c_high",
    at: { x: 170, y: 143.77 - mm / 12 },
    axis: "y",
    value_m: mm / 1000,
    min: 0,
    max: 0.4,
    unit_m_per_sheet: -0.012,
    unit: "mm",
    text: `${mm} mm`,
  });
  return {
    text: made,
    hash: String(made.length),
    ...(refused ? { refused } : {}),
    diagnostics: [
      ...(high > 300
        ? [{ id: "float-above-rim", severity: "warning" as const, message: "`float_c_high` never sees the water", cure: "lower it below 283 mm", where: { line: at + 1, column: 1, end_line: at + 1, end_column: 8 }, about: ["float_c_high"] }]
        : []),
      { id: "caution-mains", severity: "note", message: "mains beside salt water" },
    ],
    sheet,
    lines: [{ vessel: "sump_c", id: "running", level_m: 0.2, overflows: false, text: "" }, { vessel: "sump_c", id: "worst", level_m: 0.4, overflows: true, text: "" }],
    figures: [{ id: "volume", label: "Water of the system", value: 415, unit: "L", text: "415 L" }],
    handles: [handle("high", high), handle("low", low)],
    took_ms: 3,
  };
}

/** What a stand-in shows for a photo: 48 by 32 pixels. */
const PICTURE = readFileSync(new URL("../../tests/reference/photos/progressive.jpg", import.meta.url));

function photoOf(id: number, caption: string): Photo {
  return { id, at_ms: Date.now() - 5 * H, who: "mara", caption, kind: "jpeg", width: 48, height: 32, bytes: PICTURE.length };
}

export interface StandIn {
  url: string;
  /** Ends every stream and refuses new ones while `isOff`. */
  cut(isOff: boolean): void;
  /** Ends every stream and has begun anew. */
  restart(): void;
  /** The board goes silent, or comes back. */
  silence(isSilent: boolean): void;
  close(): Promise<void>;
}

export const PASSWORD = "correct horse battery";

/** What a change does to rows. */
const WEIGHED: Weighed = {
  sent: "compared",
  worse: [
    {
      fault: "heater_sump:welded",
      description: "The relay contact is welded: energised whatever the board says.",
      turn: "opened",
      before: "holds",
      after: "breaks `hot` after 5.3 h",
      beside: ["`swing` after 2.1 h, before not at all"],
      wants_reason: true,
    },
  ],
  n_better: 2,
  n_unanswered: 1,
};

export async function standIn(options: { hasOwner?: boolean; port?: number } = {}): Promise<StandIn> {
  const now = state(Date.now());
  const orders: Order[] = [];
  const notes: Note[] = [{ id: 1, written_ms: now.at_ms - 5 * H, from_ms: now.at_ms - 5 * H, to_ms: now.at_ms - 5 * H, who: "mara", text: "Two new corals", photos: [photoOf(1, "by the weir"), photoOf(2, "")] }];
  const pictures = new Map<number, Buffer>();
  const careDone: CareDone[] = [];
  const fit = fitNow(now.at_ms);
  const waterNow = water(now.at_ms);
  const waterLines = waterNow.lines;
  const drafts = new Map<string, Draft>();
  const given: Revisions = {
    running: { revision: 2, crc: "aa11bb22", kind: "confirmed" },
    revisions: [
      { id: 2, at_ms: now.at_ms - 3 * 24 * H, who: "mara", why: "cooler at night", crc: "aa11bb22", bytes: 318, is_running: true, was_kept: true, rows: { ...WEIGHED, against: 1, sent: "first", compared_ms: now.at_ms - 3 * 24 * H } },
      { id: 1, at_ms: now.at_ms - 40 * 24 * H, who: "station", why: "what the board ran when the station first met it", crc: "99887766", bytes: 318, is_running: false, was_kept: true },
    ],
  };
  const streams = new Set<ServerResponse>();
  let hasOwner = options.hasOwner ?? true;
  let isCut = false;
  let isSilent = false;
  let me: { name: string; role: Role } | undefined;
  let n = 0;

  const send = (event: string, data: unknown) => {
    n += 1;
    for (const stream of streams) stream.write(`id: 1-${n}\nevent: ${event}\ndata: ${JSON.stringify(data)}\n\n`);
  };
  const beat = setInterval(() => {
    now.at_ms = Date.now();
    const board = now.boards[0]!;
    if (!isSilent) board.newest_ms = now.at_ms - 300;
    const temperature = board.signals[0]!;
    temperature.value = 25.3 + Math.sin(now.at_ms / 20_000) / 50;
    const { name, link, is_clock_good, newest_ms } = board;
    send("now", { at_ms: now.at_ms, boards: [{ name, link, is_clock_good, newest_ms, signals: [temperature], drives: board.drives }] });
  }, 500);

  const problem = (response: ServerResponse, status: number, id: string, title: string, detail: string) => {
    response.writeHead(status, { "content-type": "application/problem+json" });
    response.end(JSON.stringify({ type: `urn:tidewright:problem:${id}`, title, status, detail }));
  };
  const json = (response: ServerResponse, body: unknown) => {
    response.writeHead(200, { "content-type": "application/json", "cache-control": "no-store" });
    response.end(JSON.stringify(body));
  };
  const order = (what: string, why: string, status: Order["status"], detail: string, output?: number): Order => {
    const made: Order = {
      id: orders.length + 1,
      at_ms: Date.now(),
      board: "tank",
      who: me?.name ?? "?",
      why,
      what,
      status,
      detail,
      answered_ms: Date.now(),
      ...(output === undefined ? {} : { output, scan: 108_100 }),
    };
    orders.unshift(made);
    send("command", made);
    return made;
  };

  const signalOf = (id: number) => now.boards[0]!.signals[id - 1];
  const trend = (id: number, from: number, to: number, width: number) => {
    const step = Math.max(1000, (to - from) / width);
    const body: Trend = { from_ms: from, step_ms: step, at_ms: [], min: [], max: [], mean: [], n_uncertain: [], n_bad: [], gaps: [] };
    const [gapFrom, gapTo] = [from + (to - from) * 0.4, from + (to - from) * 0.47];
    body.gaps.push([gapFrom, gapTo]);
    for (let at = from; at < to; at += step) {
      if (at >= gapFrom && at < gapTo) continue;
      const share = (at - from) / (to - from);
      const isBad = share > 0.7 && share < 0.74;
      const isFlow = signalOf(id)?.unit === "mL/min";
      const base = isFlow ? 40_000 + 400 * Math.sin(at / 4e6) : id >= 20 ? Number(Math.sin(at / 4e6) > 0.3) : 25.3 + 0.25 * Math.sin(at / (4 * H)) + 0.05 * Math.sin(at / 9e5) + (id % 20) / 10;
      body.at_ms.push(at);
      body.mean.push(isBad ? null : base);
      body.min.push(isBad ? null : id >= 20 ? base : base - 0.04);
      body.max.push(isBad ? null : id >= 20 ? base : base + 0.05);
      body.n_uncertain.push(share > 0.2 && share < 0.24 ? 3 : 0);
      body.n_bad.push(isBad ? 5 : 0);
    }
    return body;
  };

  const api = async (request: IncomingMessage, response: ServerResponse, path: string, ask: URLSearchParams) => {
    const chunks: Buffer[] = [];
    for await (const chunk of request) chunks.push(chunk as Buffer);
    const file = Buffer.concat(chunks);
    const isJson = request.headers["content-type"] === "application/json";
    const body = chunks.length > 0 && isJson ? (JSON.parse(file.toString()) as Record<string, never>) : {};
    const what = `${request.method} ${path}`;
    const board = now.boards[0]!;
    if (what === "GET session") return json(response, { ...(me ? { me } : {}), needs_first_owner: !hasOwner });
    if (what === "POST session" || what === "POST account/first") {
      if (what === "POST session" && body["password"] !== PASSWORD) {
        return problem(response, 401, "wrong-credentials", "The log-in is wrong", "Name and password do not go together, or the one-time code is wrong or was used. Try again; a code is new every 30 s.");
      }
      hasOwner = true;
      me = { name: body["name"] ?? "mara", role: "owner" };
      return json(response, { me, needs_first_owner: false });
    }
    if (!me) return problem(response, 401, "log-in", "Log in first", "Log in on the station's page, or send a token.");
    if (isCut) return problem(response, 503, "busy", "The station is busy", "Try again in a few seconds.");
    if (what === "DELETE session") {
      me = undefined;
      return json(response, { words: "Logged out." });
    }
    if (what === "GET events-stream") {
      response.writeHead(200, { "content-type": "text/event-stream", "cache-control": "no-store" });
      response.write(`id: 1-${n}\nevent: state\ndata: ${JSON.stringify(now)}\n\n`);
      streams.add(response);
      response.on("close", () => streams.delete(response));
      return;
    }
    if (what === "GET state") return json(response, now);
    if (what === "GET boards/tank/revisions") return json(response, given);
    if (path.startsWith("boards/tank/revisions/") && path.endsWith("/file")) {
      response.writeHead(200, { "content-type": "text/plain" });
      return response.end(DESK_TEXT);
    }
    if (request.method === "POST" && /^boards\/tank\/pumps\/\w+\/calibrate$/.test(path)) {
      const flow = { is_accepted: true, flow_ml_min: 28.45, half95_ml_min: 0.14, before_ml_min: 30, remarks: [], changes: ['passage.topoff_line.flow becomes "28.45 mL/min"'], text: "x" };
      const sent = body["send"] as unknown as { why: string; reasons: Record<string, string> } | undefined;
      if (!sent) return json(response, flow);
      if (!sent.reasons["heater_sump:welded"]) return problem(response, 409, "reasons-wanted", "Rows get worse without a reason", "Nothing was sent: rows get worse.");
      return json(response, { ...flow, sent: { revision: 3, order: order("revision 3 on trial for 60 min", sent.why, "done", "done; it starts anew and tries it") } });
    }
    if (what === "POST boards/tank/revisions/compare") {
      response.writeHead(200, { "content-type": "text/event-stream" });
      response.write(`event: begins\ndata: ${JSON.stringify({ stage: "nominal", of: "running" })}\n\n`);
      response.write(`event: progress\ndata: ${JSON.stringify({ done: 3, total: 9 })}\n\n`);
      response.write(`event: begins\ndata: ${JSON.stringify({ stage: "whole", of: "next" })}\n\n`);
      response.write(`event: row\ndata: ${JSON.stringify({ stage: "whole", row: WEIGHED.worse[0] })}\n\n`);
      return response.end(`event: done\ndata: ${JSON.stringify({ ...WEIGHED, against: 2 })}\n\n`);
    }
    if (request.method === "POST" && /^boards\/tank\/revisions\/\d+\/reasons$/.test(path)) {
      const rows = given.revisions.find((one) => one.id === Number(path.split("/")[3]))?.rows;
      if (!rows) return problem(response, 404, "not-found", "There is no such thing", "There is no such revision.");
      const reasons = body["reasons"] as unknown as Record<string, string>;
      rows.worse = rows.worse.map((row) => (reasons[row.fault] ? { ...row, reason: { text: reasons[row.fault]!, who: me!.name, at_ms: Date.now() } } : row));
      rows.n_unanswered = rows.worse.filter((row) => row.wants_reason && !row.reason).length;
      return json(response, rows);
    }
    if (what === "POST boards/tank/revisions") {
      const reasons = (body["reasons"] ?? {}) as unknown as Record<string, string>;
      if (body["compare"] !== ("later" as unknown) && !reasons["heater_sump:welded"]) return problem(response, 409, "reasons-wanted", "Rows get worse without a reason", "Nothing was sent: rows get worse.");
      given.running = { revision: 3, crc: "cc33dd44", kind: "trial" };
      given.trial = { revision: 3, ends_ms: Date.now() + Number(body["minutes"]) * 60_000, who: me.name };
      for (const one of given.revisions) one.is_running = false;
      const worse = WEIGHED.worse.map((row) => ({ ...row, reason: { text: reasons[row.fault] ?? "", who: me!.name, at_ms: Date.now() } }));
      given.revisions.unshift({ id: 3, at_ms: Date.now(), who: me.name, why: String(body["why"]), crc: "cc33dd44", bytes: 318, is_running: true, was_kept: false, rows: { ...WEIGHED, worse, n_unanswered: 0 } });
      return json(response, { revision: 3, order: order("revision 3 on trial", String(body["why"] ?? ""), "done", "done; its loader found the program sound; it starts anew and tries it"), ends_ms: given.trial.ends_ms });
    }
    if (request.method === "POST" && /^boards\/tank\/revisions\/\d+\/deploy$/.test(path)) {
      const id = Number(path.split("/")[3]);
      given.running = { revision: id, crc: "aa11bb22", kind: "trial" };
      given.trial = { revision: id, ends_ms: Date.now() + Number(body["minutes"]) * 60_000, who: me.name };
      for (const one of given.revisions) one.is_running = one.id === id;
      const made = order(`revision ${id} on trial for ${body["minutes"]} min`, body["why"] ?? "", "done", "done; its loader found the program sound; it starts anew and tries it");
      return json(response, { revision: id, order: made, ends_ms: given.trial.ends_ms });
    }
    if (request.method === "POST" && path.startsWith("boards/tank/trial/")) {
      const isKept = path.endsWith("confirm");
      given.running = { revision: isKept ? (given.trial?.revision ?? 2) : 2, crc: "aa11bb22", kind: "confirmed" };
      delete given.trial;
      for (const one of given.revisions) one.is_running = one.id === given.running.revision;
      return json(response, order(isKept ? "the revision on trial is kept" : "the revision on trial is given up", body["why"] ?? "", "done", "done; it keeps the program"));
    }
    if (what === "GET section") return json(response, JSON.parse(readFileSync(new URL("fixtures/section.json", import.meta.url), "utf8")));
    if (what === "GET night") {
      const sections = [
        { title: "What is wrong", lines: ["Top-off stopped or its reservoir nearly empty.", "Since 02:14, 25 min ago; medium priority.", "One other alarm stands as well."] },
        { title: "Contained?", lines: ["Yes: topoff pump stopped since 02:14."] },
        { title: "Until harm", lines: ["37 h until harm: the sump heater is bare (by the FMEA, reservoir empty).", "Somebody can be there in 4 h: in time."] },
        { title: "Can it be believed?", lines: ["Reservoir low yes, raw 1, 1 s old. No second probe shows it."] },
        { title: "The last six hours", lines: ["Hourly from 20:39: 25.4, 25.4, 25.3, 25.3, 25.3, 25.3 °C."] },
        { title: "Do", lines: ["Fill the reservoir with fresh water in the morning.", "Do not reset the trip before the cause is known."] },
        { title: "Told", lines: ["Mara by mail, at 02:14."] },
      ];
      return json(response, { at_ms: now.at_ms, alarm: "tank/topoff_stopped", sections });
    }
    if (what === "GET series") {
      const names = [...board.signals.map(({ name, unit, is_bit }) => ({ name, unit, is_bit })), ...board.drives.map(({ name }) => ({ name, unit: "", is_bit: true }))];
      return json(response, names.map((one, i) => ({ id: (one.is_bit ? 20 : 1) + i, board: "tank", scale: 0.001, interval_ms: 1000, ...one })));
    }
    const ofTrend = /^series\/(\d+)\/trend$/.exec(path);
    if (ofTrend) return json(response, trend(Number(ofTrend[1]), Number(ask.get("from")), Number(ask.get("to")), Number(ask.get("width") ?? 600)));
    if (path === "boards/tank/series/expected") {
      if (ask.get("signal") !== "display_temp") return problem(response, 404, "not-found", "There is no such thing", "The twin knows no such signal.");
      const [from, to] = [Number(ask.get("from")), Number(ask.get("to"))];
      const t = Array.from({ length: 49 }, (_, i) => from + ((to - from) * i) / 48);
      return json(response, { signal: "display_temp", unit: "degC", t, values: t.map(() => 25.2), low: t.map(() => 24.9), high: t.map(() => 25.5) });
    }
    if (what === "GET notes") return json(response, notes);
    if (what === "POST notes") {
      const at = (body["from_ms"] as number | undefined) ?? Date.now();
      const note = { id: notes.length + 1, written_ms: Date.now(), from_ms: at, to_ms: at, who: me.name, text: body["text"] ?? "", photos: [] };
      notes.unshift(note);
      return json(response, note);
    }
    const ofNote = /^notes\/(\d+)\/photos$/.exec(path);
    if (ofNote && request.method === "POST") {
      if (!(file[0] === 0xff && file[1] === 0xd8)) return problem(response, 422, "not-possible", "This is not possible", "The photo is not taken: this is no photo; send a JPEG, PNG or WebP file.");
      const photo = { ...photoOf(pictures.size + 10, ask.get("caption") ?? ""), who: me.name, bytes: file.length, at_ms: Date.now() };
      pictures.set(photo.id, file);
      notes.find((note) => note.id === Number(ofNote[1]))?.photos.push(photo);
      return json(response, photo);
    }
    const ofPhoto = /^photos\/(\d+)(\/small)?$/.exec(path);
    if (ofPhoto) {
      const id = Number(ofPhoto[1]);
      if (request.method === "PUT") return json(response, { words: "It is shown in lists." });
      if (request.method === "DELETE") {
        for (const note of notes) note.photos = note.photos.filter((photo) => photo.id !== id);
        return json(response, { words: "The photo is gone." });
      }
      response.writeHead(200, { "content-type": "image/jpeg", "cache-control": "no-store", "content-disposition": "attachment" });
      return response.end(pictures.get(id) ?? PICTURE);
    }
    if (what === "GET events") {
      return json(response, [
        { id: 2, at_ms: now.at_ms - 26 * 60_000, board: "tank", kind: "trip", text: "topoff_pump tripped on its longest run" },
        { id: 1, at_ms: now.at_ms - 30 * H, board: "station", kind: "start", text: "the station started" },
      ]);
    }
    if (what === "GET commands") return json(response, orders);
    if (what === "GET alarms") return json(response, now.alarms);
    if (what === "GET alarms/report") {
      return json(response, { from_ms: now.at_ms - 168 * H, to_ms: now.at_ms, a_week: 2, meets_aim: false, words: ["Two alarms in the last week.", "Most often: Top-off stopped, twice."] });
    }
    if (what === "GET tell") {
      return json(response, [
        { name: "mail", n_waiting: 0, last_sent_ms: now.at_ms - 25 * 60_000, last_answer: "250 2.0.0 queued" },
        { name: "pager", n_waiting: 1, failing_since_ms: now.at_ms - 20 * 60_000, last_answer: "no answer within 10 s" },
      ]);
    }
    if (what === "POST tell/test") return json(response, { words: "The test is on its way; its answer shows with the way." });
    const ofAlarm = /^alarms\/(.+)\/(acknowledge|shelve|unshelve|reset)$/.exec(path);
    if (ofAlarm) {
      const alarm = now.alarms.find((one) => one.id === decodeURIComponent(ofAlarm[1]!));
      if (!alarm) return problem(response, 404, "not-found", "There is no such thing", "There is no such alarm.");
      if (ofAlarm[2] === "acknowledge") Object.assign(alarm, { state: "acknowledged", words: "acknowledged", acknowledged_by: me.name });
      if (ofAlarm[2] === "shelve") Object.assign(alarm, { state: "shelved", words: "shelved", shelved_until_ms: body["until_ms"], aside: `${me.name}: ${body["why"]}` });
      if (ofAlarm[2] === "unshelve") Object.assign(alarm, { state: "normal", words: "normal" });
      json(response, alarm);
      send("alarm", alarm);
      return send("now", { at_ms: Date.now(), alarms: now.alarms });
    }
    if (what === "GET boards/tank/fit") return json(response, fit);
    if (what === "GET boards/tank/fit/file") return json(response, { text: DESK_TEXT });
    if (what === "POST boards/tank/fit/right") {
      Object.assign(fit.quantities[0]!, { state: "learning", words: "Return flow is being learned: 0 of 12 samples so far.", act: undefined, caution: undefined, since_ms: undefined, learned_ms: undefined, spread: undefined, expected: fit.quantities[0]!.expected.map(() => null) });
      return json(response, { words: "It is learned anew from now on." });
    }
    if (what === "POST boards/tank/hand") {
      const found = board.drives.find((one) => one.name === body["drive"]);
      const value = body["value"] as number | undefined;
      const words = value === undefined ? `${body["drive"]} back to its rule` : `${body["drive"]} ${value ? "on" : "off"} for ${body["minutes"]} min`;
      await new Promise((done) => setTimeout(done, 600));
      if (!found) return problem(response, 404, "not-found", "There is no such thing", "Board tank drives nothing of that name.");
      if (found.name === "topoff_pump") return json(response, order(words, body["why"] ?? "", "refused", "topoff_pump has tripped by longest_run and stays off until it is reset"));
      if (found.name === "light") return json(response, order(words, body["why"] ?? "", "not-done", "the board gave no answer within 10 s"));
      const minutes = Number(body["minutes"] ?? 0);
      Object.assign(found, value === undefined ? { by: "rule", hand_left_ms: 0, why: "by its rule", hand: undefined } : { output: value, by: "hand", hand_left_ms: minutes * 60_000, why: `in hand for ${minutes} min more`, hand: { who: me.name, why: body["why"] ?? "", since_ms: Date.now(), until_ms: Date.now() + minutes * 60_000 } });
      return json(response, order(words, body["why"] ?? "", "done", "done: scan 108100 took it", found.output));
    }
    if (what === "POST make-safe") {
      const steps = ["topoff_pump off", "return_pump on", "heaters to their own thermostats"].map((step) => order(`make safe: ${step}`, body["why"] ?? "", "done", "done: scan 108100 took it"));
      return json(response, { is_all_done: true, steps });
    }
    if (what === "GET boards/tank/water") return json(response, { ...waterNow, lines: waterLines });
    if (what === "POST boards/tank/water/tests" || what === "POST boards/tank/water") {
      const tests = (body["tests"] as unknown as { quantity: string; value: string }[] | undefined) ?? [{ quantity: String(body["what"]), value: String(body["value"] ?? "") }];
      if (tests.some((test) => /[^\d. /a-zA-Z]/.test(test.value))) return problem(response, 422, "not-possible", "This is not possible", "This is no line of the log: it is no number.");
      for (const test of tests) waterLines.unshift({ id: waterLines.length + 100, at_ms: Date.now(), what: test.quantity, value: test.value, who: me.name, note: body["note"] ?? "" });
      return json(response, { words: `In the log: ${tests.map((test) => `${test.quantity} ${test.value}`.trim()).join(", ")}.` });
    }
    if (what === "GET boards/tank/water/dose") return json(response, dosePlan);
    if (what === "GET boards/tank/water/lime") return json(response, limePlan);
    if (what === "GET boards/tank/water/change") return json(response, waterChange);
    const ofLine = /^boards\/tank\/water\/(\d+)$/.exec(path);
    if (ofLine && request.method === "DELETE") {
      const line = waterLines.find((one) => one.id === Number(ofLine[1]));
      if (line) line.voided_by = me.name;
      return json(response, { words: "The line counts no more." });
    }
    if (what === "GET boards/tank/calibrations") return json(response, calibrations(now.at_ms));
    if (path.startsWith("boards/tank/calibrations/") && path.endsWith("/reading")) return json(response, reading(path.includes("/ph/"), Number(ask.get("since") ?? Date.now()), Date.now()));
    if (request.method === "POST" && /^boards\/tank\/calibrations\/\w+$/.test(path)) {
      const sent = (body["send"] as unknown) === true;
      return json(response, { ...calibrated, ...(sent ? { order: order("ph: calibrated, slopes 96.7 % and 96.7 %, offset +3.10 mV", body["why"] ?? "", "done", "done: the board keeps it") } : {}) });
    }
    if (what === "POST boards/tank/care") {
      const done: CareDone = { id: careDone.length + 1, at_ms: Date.now(), item: String(body["item"]), who: me.name, passed: body["passed"] === true, seen: "float_c_high became yes after 4 s", note: body["note"] ?? "" };
      careDone.unshift(done);
      return json(response, done);
    }
    if (what.startsWith("POST boards/tank/")) return json(response, order(path, body["why"] ?? "", "done", "done: scan 108100 took it"));
    if (what === "GET boards/tank/file") return json(response, { text: DESK_TEXT, hash: "h0", revision: "00c0ffee" });
    if (what === "GET boards/tank/wiring") return json(response, wiring);
    if (what === "GET boards/tank/program") return json(response, program);
    if (what === "GET boards/tank/study") return json(response, { plan, rows, without_fault: [], open: 1, diagnostics: [] });
    if (what === "POST design/replay") return json(response, replay);
    if (what === "POST design/study" || what === "POST design/mends") {
      response.writeHead(200, { "content-type": "text/event-stream", "cache-control": "no-store" });
      const say = (event: string, data: unknown) => response.write(`event: ${event}\ndata: ${JSON.stringify(data)}\n\n`);
      if (what === "POST design/study") {
        say("plan", plan);
        for (const row of rows) {
          say("progress", { done: 10, total: 40 });
          await new Promise((done) => setTimeout(done, 60));
          say("row", row);
        }
        say("done", { rows: rows.length, closed: 2, open: 1, without_fault: [], diagnostics: [], took_ms: 1234, cached: false });
      } else {
        for (const mend of mends) {
          say("trying", { id: mend.id, text: mend.text });
          say("mend", mend);
        }
        say("done", { tried: mends.length, closing: 1 });
      }
      return response.end();
    }
    if (what === "POST design/look") return json(response, look(body["text"] ?? "", body["edits"] ?? []));
    if (what === "GET care") return json(response, careItems);
    if (what === "GET boards/tank/care") return json(response, careDone);
    if (what === "GET design/parts") return json(response, { parts: [{ id: "float", kind: "sensor", name: "Float switch", modes: [], figures: [] }] });
    if (what === "GET drafts") return json(response, [...drafts.values()].map(({ text: _, ...draft }) => draft));
    const ofDraft = /^drafts\/(.+)$/.exec(path);
    if (ofDraft) {
      const name = decodeURIComponent(ofDraft[1]!);
      const old = drafts.get(name);
      if (request.method === "GET" && old) return json(response, old);
      if (request.method === "PUT") {
        if (old?.hash !== body["base_hash"]) return problem(response, 409, "conflict", "It stands against what is now", `\`${name}\` was saved by ines meanwhile.`);
        const draft = { name, hash: String(Math.random()), saved_ms: Date.now(), by: me.name, text: body["text"] ?? "" };
        drafts.set(name, draft);
        return json(response, draft);
      }
      if (request.method === "DELETE" && drafts.delete(name)) return json(response, { words: "gone" });
    }
    if (what === "GET joined") return json(response, [joinedNow(now.at_ms)]);
    if (what === "POST joined/old/reset-trips") return json(response, { words: "The trips of the rules in shadow are reset at their next scan." });
    if (what === "GET account") {
      const sessions = [
        { id: 1, is_this: true, begun_ms: now.at_ms - H, seen_ms: now.at_ms, address: "127.0.0.1", device: "Mozilla/5.0 (X11; Linux x86_64) Chrome/150" },
        { id: 2, is_this: false, begun_ms: now.at_ms - 50 * H, seen_ms: now.at_ms - 9 * H, address: "192.168.1.20", device: "Mozilla/5.0 (Android 16; Mobile) Firefox/150" },
      ];
      return json(response, { ...me, has_totp: false, n_recovery_codes: 0, sessions });
    }
    if (what === "GET accounts") return json(response, [{ id: 1, name: me.name, role: "owner", has_totp: false, made_ms: now.at_ms - 900 * H }]);
    if (what === "GET tokens") return json(response, [{ id: 1, name: "metrics of the library", scopes: ["metrics"], made_ms: now.at_ms - 90 * H, ends_ms: now.at_ms + 2000 * H, used_ms: now.at_ms }]);
    if (what === "POST account/totp") return json(response, { uri: "otpauth://totp/Harbour%20Lane:mara?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&issuer=Harbour%20Lane", secret: "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ" });
    return problem(response, 404, "not-found", "There is no such thing", "There is no such address.");
  };

  const server = createServer((request, response) => {
    const url = new URL(request.url ?? "/", "http://localhost");
    response.setHeader("content-security-policy", POLICY);
    if (url.pathname.startsWith("/api/v1/")) {
      void api(request, response, url.pathname.slice(8), url.searchParams);
      return;
    }
    const name = extname(url.pathname) === "" ? "index.html" : url.pathname.slice(1);
    try {
      const file = readFileSync(new URL(name, dist));
      response.writeHead(200, { "content-type": KINDS[extname(name)] ?? "application/octet-stream" });
      response.end(file);
    } catch {
      response.writeHead(404).end();
    }
  });
  await new Promise<void>((done) => server.listen(options.port ?? 0, "127.0.0.1", done));
  return {
    url: `http://localhost:${(server.address() as AddressInfo).port}`,
    cut(isOff) {
      isCut = isOff;
      if (isOff) for (const stream of streams) stream.destroy();
    },
    restart() {
      now.started_ms = Date.now();
      for (const stream of streams) stream.destroy();
    },
    silence(isOff) {
      isSilent = isOff;
      const board = now.boards[0]!;
      if (isOff) board.newest_ms = Date.now() - 300_000;
      board.link = { state: isOff ? "silent" : "up", since_ms: Date.now() };
    },
    async close() {
      clearInterval(beat);
      for (const stream of streams) stream.destroy();
      server.closeAllConnections();
      await new Promise((done) => server.close(done));
    },
  };
}
