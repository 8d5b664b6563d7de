// What the design routes give and take, as docs/design-api.md says. Lengths are m, times ms or as their names say.

import type { Sheet } from "./types.ts";

export type Edit =
  | { op: "set"; path: string; key: string; value: string | number | boolean | (string | number)[] }
  | { op: "unset"; path: string; key: string }
  | { op: "add"; kind: string; id: string; values: Record<string, unknown> }
  | { op: "remove"; path: string };

export type Severity = "error" | "warning" | "note";

/** A place in a text: lines and columns from 1, the end behind the last character. */
export interface Place {
  line: number;
  column: number;
  end_line: number;
  end_column: number;
  label?: string;
}

export interface Finding {
  id: string;
  severity: Severity;
  message: string;
  cure?: string;
  notes?: string[];
  where?: Place;
  more?: Place[];
  about?: string[];
}

/** A water line of a vessel. */
export interface Level {
  vessel: string;
  id: "running" | "drain_down" | "worst";
  level_m: number;
  overflows: boolean;
  text: string;
}

export interface Figure {
  id: string;
  label: string;
  value: number;
  unit: string;
  text: string;
}

export interface Handle {
  id: string;
  path: string;
  key: string;
  kind: "height" | "x" | "level";
  part: string;
  at: { x: number; y: number };
  axis: "x" | "y";
  value_m: number;
  min: number;
  max: number;
  unit_m_per_sheet: number;
  unit: string;
  text: string;
}

export interface Refusal {
  edit: number;
  message: string;
  diagnostics: Finding[];
}

export interface Look {
  text: string;
  hash: string;
  refused?: Refusal;
  diagnostics: Finding[];
  sheet?: Sheet;
  lines: Level[];
  figures: Figure[];
  handles: Handle[];
  took_ms: number;
}

export interface BoardFile {
  text: string;
  hash: string;
  revision: string;
}

export interface Draft {
  name: string;
  hash: string;
  saved_ms: number;
  by: string;
  text?: string;
}

export interface Question {
  id: string;
  label: string;
  help?: string;
  kind: "length" | "volume" | "number" | "choice" | "yes" | "text";
  unit?: string;
  default?: string | number | boolean | null;
  choices?: (string | { id: string; label: string })[];
  min?: number;
  max?: number;
}

export interface Questions {
  groups: { id: string; title: string; fields: Question[] }[];
}

export type Answers = Record<string, string | number | boolean>;

export interface Comparison {
  findings: { only_a: Finding[]; only_b: Finding[] };
  figures: { id: string; label: string; a?: number | null; b?: number | null; text: string }[];
  rows?: { fault: string; requirement?: string; a: string; b: string; text: string }[];
}

export type RowVerdict = "breaks" | "help_in_time" | "accepted" | "hidden" | "holds";
export type CellVerdict = "ok" | "breach" | "untold" | "accepted" | "hidden";

export interface Requirement {
  id: string;
  text: string;
  harm: string;
  severity: string;
  unit: string;
}

export interface Plan {
  hash: string;
  system: string;
  requirements: Requirement[];
  faults: { id: string; part: string; mode: string; text: string }[];
  window_h: number;
  response_h: number;
  corners: string[];
}

export interface Cell {
  requirement: string;
  verdict: CellVerdict;
  margin?: number;
  margin_text: string;
  hours_left?: number;
  told_after_h?: number;
  told_by?: string;
  instant?: string;
  corner?: string;
  anyway?: boolean;
}

export interface Row {
  fault: string;
  part: string;
  mode: string;
  verdict: RowVerdict;
  sentence: string;
  breaks?: string;
  after_h?: number;
  mend?: string;
  acceptance?: string;
  tripped?: { actuator: string; after_h: number }[];
  spilled_l: number;
  cells: Cell[];
}

export interface Done {
  rows: number;
  closed: number;
  open: number;
  without_fault: Row[];
  diagnostics: Finding[];
  took_ms: number;
  cached: boolean;
}

/** What the station keeps of a board's own design. */
export interface BoardStudy {
  plan: Plan;
  rows: Row[];
  without_fault: Row[];
  open: number;
  diagnostics: Finding[];
}

export interface ReplaySignal {
  id: string;
  label: string;
  unit: string;
  is_truth: boolean;
  values: (number | null)[];
}

export interface Act {
  t_s: number;
  what: "fault" | "rule" | "trip" | "alarm" | "board" | "requirement";
  id: string;
  text: string;
}

export interface Replay {
  start_s: number;
  step_s: number;
  t: number[];
  signals: ReplaySignal[];
  vessels: { id: string; level_signal: string }[];
  outputs: { id: string; label: string; on: [number, number][] }[];
  acts: Act[];
  acts_left_out: number;
  breach_s?: number;
  requirement?: string;
  fault_text: string;
  instant: string;
  corner: string;
}

export interface Mend {
  id: string;
  text: string;
  closes: boolean;
  verdict: RowVerdict;
  sentence: string;
  rows_worse?: { fault: string; requirement: string; text: string }[];
  open_rows?: number;
  parts: string[];
  channels: number;
  bytes: number;
  price?: number;
  currency?: string;
  edits: Edit[];
}

export interface Wire {
  id: string;
  from: string;
  to: string;
  function: string;
  is_mains: boolean;
  colour: string;
  colour_name: string;
  mm2: number;
  length_m: number;
  is_assumed: boolean;
  cable?: string | null;
}

export interface Rung {
  group: string;
  title: string;
  wires: Wire[];
}

export interface Wiring {
  svg?: string;
  sheets: { title: string; svg: string }[];
  runs: Rung[];
  notes: string[];
  cautions: string[];
  findings: Finding[];
}

export interface Program {
  rules: { id: string; text: string; bytes?: number | null }[];
  bytes: number;
  capacity?: number;
  slots: { numbers: number; bits: number; operations: number; inputs: number; outputs: number };
  revision: string;
  listing: string;
}
