// What the API gives and takes, as its OpenAPI document says. Times are ms since 1970 UTC.

export type Quality = "good" | "uncertain" | "bad";
export type Role = "viewer" | "operator" | "owner";
export type Scope = "read" | "act" | "import" | "metrics" | "program";

export interface LinkNow {
  state: "down" | "up" | "silent" | "refused";
  since_ms: number;
  why?: string;
}

export interface SignalNow {
  name: string;
  value?: number;
  unit: string;
  quality: Quality;
  is_bit: boolean;
  since_ms?: number;
}

export interface HandNow {
  who: string;
  why: string;
  since_ms: number;
  until_ms: number;
}

export interface DriveNow {
  name: string;
  kind: string;
  output?: number;
  is_modulated: boolean;
  since_ms?: number;
  hand_left_ms: number;
  hand?: HandNow;
  by: "rule" | "hand" | "procedure" | "trip";
  why: string;
}

export interface TripNow {
  id: string;
  actuator: string;
  cause: string;
  is_latched: boolean;
  since_ms?: number;
}

export interface StepNow {
  text: string;
  longest_s: number;
  confirm: boolean;
}

export interface ProcedureNow {
  name: string;
  title: string;
  step: number;
  steps: StepNow[];
}

export interface BoardNow {
  name: string;
  system: string;
  link: LinkNow;
  newest_ms?: number;
  scan?: number;
  is_clock_good: boolean;
  signals: SignalNow[];
  drives: DriveNow[];
  trips: TripNow[];
  procedures: ProcedureNow[];
}

export interface AlarmNow {
  id: string;
  text: string;
  priority: "low" | "medium" | "high";
  state: string;
  words: string;
  since_ms: number;
  occurred_ms?: number;
  acknowledged_by?: string;
  shelved_until_ms?: number;
  aside?: string;
  is_first_out: boolean;
  is_chattering: boolean;
  is_stale: boolean;
}

export interface Line {
  text: string;
  needs_attention: boolean;
}

export interface State {
  at_ms: number;
  station: string;
  version: string;
  started_ms: number;
  boards: BoardNow[];
  alarms: AlarmNow[];
  attention: string[];
  morning: Line[];
}

/** What changed of a board: its link always, and of its lists the items that changed. */
export interface BoardDelta {
  name: string;
  link: LinkNow;
  newest_ms?: number;
  scan?: number;
  is_clock_good: boolean;
  signals?: SignalNow[];
  drives?: DriveNow[];
  trips?: TripNow[];
  procedures?: ProcedureNow[];
}

/** Data of a `now` message. */
export interface Delta {
  at_ms: number;
  boards?: BoardDelta[];
  alarms?: AlarmNow[];
  attention?: string[];
  morning?: Line[];
}

export interface Order {
  id: number;
  at_ms: number;
  board: string;
  who: string;
  why: string;
  what: string;
  status: "under-way" | "done" | "refused" | "not-done" | "not-known";
  detail: string;
  answered_ms?: number;
  scan?: number;
  output?: number;
}

export interface GivenReason {
  text: string;
  who: string;
  at_ms: number;
}

/** A row of the FMEA that turned from what ran to what was sent. */
export interface WeighedRow {
  fault: string;
  description: string;
  turn: string;
  before: string;
  after: string;
  beside?: string[];
  accepted?: string;
  wants_reason: boolean;
  reason?: GivenReason;
}

/** The flow of a pump by caught volumes, and the file with it. */
export interface MeasuredPump {
  is_accepted: boolean;
  flow_ml_min: number;
  half95_ml_min: number;
  before_ml_min: number;
  remarks: string[];
  changes: string[];
  text: string;
  sent?: { revision: number; order: Order };
}

/** What a revision does to the rows. */
export interface Weighed {
  against?: number;
  sent: "compared" | "first" | "back";
  compared_ms?: number;
  detail?: string;
  worse: WeighedRow[];
  n_better: number;
  n_unanswered: number;
}

/** A program that a board was given. */
export interface RevisionHead {
  id: number;
  at_ms: number;
  who: string;
  why: string;
  crc: string;
  bytes: number;
  is_running: boolean;
  was_kept: boolean;
  rows?: Weighed;
}

export interface Revisions {
  running?: { revision?: number; crc: string; kind: "flashed" | "confirmed" | "trial" };
  trial?: { revision: number; ends_ms: number; who: string };
  revisions: RevisionHead[];
}

export interface Safe {
  is_all_done: boolean;
  steps: Order[];
}

export interface Night {
  at_ms: number;
  /** Id of the alarm that leads. */
  alarm?: string;
  sections: { title: string; lines: string[] }[];
}

/** One way of telling people. */
export interface Way {
  name: string;
  n_waiting: number;
  last_sent_ms?: number;
  failing_since_ms?: number;
  last_answer: string;
}

export interface Series {
  id: number;
  board: string;
  name: string;
  unit: string;
  scale: number;
  interval_ms: number;
  is_bit: boolean;
}

export interface Trend {
  from_ms: number;
  step_ms: number;
  at_ms: number[];
  min: (number | null)[];
  max: (number | null)[];
  mean: (number | null)[];
  n_uncertain: number[];
  n_bad: number[];
  gaps: [number, number][];
}

/** What the twin expects of a signal: a day without a fault, repeated. */
export interface Expectation {
  signal: string;
  unit: string;
  t: number[];
  values: (number | null)[];
  low: (number | null)[];
  high: (number | null)[];
}

export interface CareStep {
  text: string;
  watch: "signal" | "output" | "trip" | "person";
  name?: string;
  becomes?: boolean;
  within_s: number;
}

/** A proof test or a task, with when it is due. */
export interface CareItem {
  id: string;
  kind: "proof-test" | "task";
  title: string;
  state: "later" | "soon" | "due" | "overdue";
  is_failed: boolean;
  due?: string;
  every: string;
  last_ms?: number;
  last_by?: string;
  run_h?: number;
  how: string;
  caution?: string;
  steps: CareStep[];
}

export interface CareDone {
  id: number;
  at_ms: number;
  item: string;
  who: string;
  passed: boolean;
  seen: string;
  note: string;
}

/** A quantity that is held against its twin over time. */
export interface TwinCourse {
  quantity: "flow" | "heater-power" | "heat-need" | "water-use" | "ph-swing";
  part: string;
  unit: string;
  state: "not-judged" | "learning" | "steady" | "drifting";
  words: string;
  act?: string;
  caution?: string;
  since_ms?: number;
  share?: number;
  learned_ms?: [number, number];
  spread?: number;
  at_ms: number[];
  value: number[];
  expected: (number | null)[];
}

/** A parameter of the twin: what the file has, what the log says. */
export interface TwinParameter {
  what: string;
  part?: string;
  unit: string;
  file: number;
  value: number;
  low?: number;
  high?: number;
  how: string;
  unknown?: string;
  earlier_ms: number[];
  earlier: number[];
}

export interface TwinLeftOver {
  name: string;
  unit: string;
  at_ms: number[];
  measured: number[];
  model: number[];
}

export interface TwinEdit {
  path: string;
  value: string;
}

export interface FittedTwin {
  from_ms: number;
  to_ms: number;
  parameters: TwinParameter[];
  left_over: TwinLeftOver[];
  notes: string[];
  edits: TwinEdit[];
}

export interface Fit {
  to_ms?: number;
  quantities: TwinCourse[];
  fitted?: FittedTwin;
  is_used: boolean;
}

export interface EventRow {
  id: number;
  at_ms: number;
  board: string;
  kind: string;
  text: string;
}

export interface Note {
  id: number;
  written_ms: number;
  from_ms: number;
  to_ms: number;
  who: string;
  text: string;
  photos: Photo[];
}

/** A photo to a note; its picture is at `photos/{id}` and `photos/{id}/small`. */
export interface Photo {
  id: number;
  at_ms: number;
  who: string;
  caption: string;
  kind: "jpeg" | "png" | "webp";
  width: number;
  height: number;
  bytes: number;
}

export interface AlarmReport {
  from_ms: number;
  to_ms: number;
  a_week: number;
  meets_aim: boolean;
  words: string[];
}

export interface Session {
  me?: { name: string; role: Role };
  needs_first_owner: boolean;
}

export interface Account {
  name: string;
  role: Role;
  has_totp: boolean;
  n_recovery_codes: number;
  sessions: { id: number; is_this: boolean; begun_ms: number; seen_ms: number; address: string; device: string }[];
}

export interface OneAccount {
  id: number;
  name: string;
  role: Role;
  has_totp: boolean;
  made_ms: number;
}

export interface Token {
  id: number;
  name: string;
  scopes: Scope[];
  made_ms: number;
  ends_ms: number;
  used_ms?: number;
}

export type XY = [number, number];

export type Shape =
  | { kind: "line" | "area"; ink: string; points: XY[] }
  | { kind: "circle"; ink: string; centre: XY; radius: number }
  | { kind: "pipe"; width: number; points: XY[] };

export interface Binding {
  value: string;
  unit: string;
  property: "top" | "running" | "flow" | "reading";
  zero: number;
  per_unit: number;
}

export interface SheetPart {
  id: string;
  name: string;
  layer: string;
  anchor: XY;
  shapes: Shape[];
  bindings: Binding[];
}

export interface SheetLabel {
  part: string;
  key: string;
  lines: { text: string; size: number; is_bold: boolean }[];
  bounds: [number, number, number, number];
  align: "left" | "middle" | "right";
  is_turned: boolean;
  leader: XY[];
}

/** The section as data: mm of paper, y downwards. */
export interface Sheet {
  size: XY;
  scale: number;
  title: string;
  description: string;
  parts: SheetPart[];
  labels: SheetLabel[];
}

/** An output of a joined controller. */
export interface JoinedOutput {
  name: string;
  is_modulated: boolean;
  theirs?: number;
  ours?: number;
  is_compared: boolean;
  because?: string;
  differs_since_ms?: number;
  compared_s: number;
  less_s: number;
  more_s: number;
  sentences: string[];
}

export interface JoinedDifference {
  output: string;
  from_ms: number;
  to_ms?: number;
  theirs: number;
  ours: number;
  because: string;
  sentence: string;
}

export interface RefusedLines {
  reason: string;
  means: string;
  n: number;
  example: string;
}

/** A controller that is only listened to. */
export interface JoinedNow {
  name: string;
  system: string;
  line: string;
  is_up: boolean;
  line_since_ms: number;
  why?: string;
  newest_ms?: number;
  is_silent: boolean;
  is_running: boolean;
  since_ms?: number;
  until_ms?: number;
  n_lines: number;
  n_understood: number;
  n_lost: number;
  refused: RefusedLines[];
  outputs: JoinedOutput[];
  inputs: string[];
  notes: string[];
  differences: JoinedDifference[];
  n_more_differences: number;
}

/** Something to be said of a measurement or a plan. */
export interface Remark {
  id: string;
  level: "error" | "warning" | "note";
  text: string;
  facts: string[];
  help?: string;
}

export interface ValueAt {
  at_ms: number;
  value: number;
}

export interface WaterUse {
  quantity: string;
  unit: string;
  per_day?: number;
  half95?: number;
  now?: number;
  n_tests: number;
  remarks: Remark[];
}

/** A quantity that is tested, with what is aimed at and what is known of it. */
export interface Quantity {
  name: string;
  unit: string;
  decimals: number;
  target: [number, number];
  act: [number, number];
  daily_limit?: number;
  salts: string[];
  tests: ValueAt[];
  fitted: ValueAt[];
  standing?: "far-below" | "below" | "within" | "above" | "far-above";
  reckoned?: { value: number; half95: number; is_apart: boolean };
  used?: WaterUse;
  remarks: Remark[];
}

export interface WaterLine {
  id: number;
  at_ms: number;
  what: string;
  value: string;
  who: string;
  note: string;
  voided_by?: string;
}

export interface Salt {
  name: string;
  formula: string;
  dissolves_g_l: number;
  caution?: string;
}

/** The log of water, and what follows from it. */
export interface Water {
  lines: WaterLine[];
  quantities: Quantity[];
  changes_ms: number[];
  salts: Salt[];
  tank: { volume_l: number; salinity: number; temperature_c: number };
  ions: { salinity_rise_year?: number; remarks: Remark[] };
}

/** A number with where it comes from. */
export interface From {
  value: number;
  by: string;
}

export interface DosePlan {
  salt: string;
  now: From;
  target: number;
  used: From;
  days: number;
  g_per_day: number;
  hold_g_per_day: number;
  ml_per_day?: number;
  portions: number;
  steps: string[];
  remarks: Remark[];
  log: { what: string; value: string };
}

export interface LimePlan {
  evaporation: From;
  evaporation_half95: number;
  most_dkh_day: number;
  litres_day: number;
  rest_dkh_day: number;
  steps: string[];
  remarks: Remark[];
}

export interface WaterChange {
  share: number;
  salt_kg: number;
  fresh_kg: number;
  values: { quantity: string; unit: string; decimals: number; before: number; new: number; after: number }[];
  steps: string[];
}

/** A calibration of a probe in numbers. */
export interface Made {
  at_ms: number;
  slope_percent?: number;
  offset: number;
  gain?: number;
  found_off?: number;
}

export interface Probe {
  name: string;
  measures: "ph" | "temperature" | "conductivity";
  own_unit: string;
  not_kept?: string;
  thermometer?: string;
  made: Made[];
  out?: { earliest_ms?: number; expected_ms?: number; latest_ms?: number };
  holds?: { days?: number; tolerance: number; unit: string; wanted_days: number; per_week: number; n: number };
  remarks: Remark[];
}

export interface Metered {
  name: string;
  flow_ml_min: number;
}

export interface Calibration {
  id: number;
  at_ms: number;
  part: string;
  who: string;
  says: string;
  note: string;
}

export interface Calibrations {
  calibrations: Calibration[];
  probes: Probe[];
  pumps: Metered[];
}

/** What a probe shows now. */
export interface Reading {
  at_ms?: number;
  shown?: number;
  own?: number;
  temperature_c?: number;
  stands: "none" | "too-short" | "settling" | "noisy" | "still";
  words: string;
  mean?: number;
  sd?: number;
  readings: [number, number][];
  buffers: { label: string; ph?: number }[];
  seawater?: number;
}

export interface Calibrated {
  is_accepted: boolean;
  says: string;
  remarks: Remark[];
  order?: Order;
}
