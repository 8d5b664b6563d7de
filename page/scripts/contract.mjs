// Holds the page's types against the station's OpenAPI document: every field that the page reads or sends is there. node scripts/contract.mjs FILE|URL
import { readFileSync } from "node:fs";

const from = process.argv[2] ?? "http://localhost:7480/api/openapi.json";
const text = /^https?:/.test(from) ? await (await fetch(from)).text() : readFileSync(from, "utf8");
const { schemas } = JSON.parse(text).components;
/** Type of the page -> schema of the station, where the names differ. */
const NAMES = {
  State: "StateBody",
  Night: "NightBody",
  Safe: "SafeBody",
  Way: "WayBody",
  Series: "SeriesBody",
  Trend: "TrendBody",
  EventRow: "EventBody",
  Note: "NoteBody",
  Photo: "PhotoBody",
  AlarmReport: "ReportBody",
  Session: "SessionBody",
  Account: "AccountBody",
  Token: "OneToken",
  RevisionHead: "Head",
  Weighed: "Outcome",
  MeasuredPump: "MeasuredBody",
  CareStep: "StepBody",
  CareItem: "ItemBody",
  CareDone: "DoneBody",
  TwinCourse: "CourseBody",
  TwinParameter: "ParameterBody",
  TwinLeftOver: "LeftOverBody",
  TwinEdit: "EditBody",
  FittedTwin: "FittedBody",
  Fit: "FitBody",
  Remark: "RemarkBody",
  WaterUse: "UseBody",
  Quantity: "QuantityBody",
  WaterLine: "WaterLineBody",
  Salt: "SaltBody",
  Water: "WaterBody",
  DosePlan: "DoseBody",
  LimePlan: "LimeBody",
  WaterChange: "ChangeBody",
  Made: "MadeBody",
  Probe: "ProbeBody",
  Metered: "MeteredBody",
  Calibration: "CalibrationBody",
  Calibrations: "CalibrationsBody",
  Reading: "ReadingBody",
  Calibrated: "CalibratedBody",
};
/** Not in the document: messages of the stream and the sheet of the drawing. */
const LOOSE = new Set(["Expectation", "BoardDelta", "Delta", "Binding", "SheetPart", "SheetLabel", "Sheet"]);

const types = readFileSync(new URL("../src/api/types.ts", import.meta.url), "utf8");
const wrong = [];
let n = 0;
for (const [, name, body] of types.matchAll(/export interface (\w+) \{\n(.*?)\n\}/gs)) {
  if (LOOSE.has(name)) continue;
  const schema = schemas[NAMES[name] ?? name];
  if (!schema) {
    wrong.push(`${name}: the station has no such schema`);
    continue;
  }
  const required = new Set(schema.required ?? []);
  for (const [, field, optional] of body.matchAll(/^ {2}(\w+)(\??):/gm)) {
    n += 1;
    if (!schema.properties?.[field]) wrong.push(`${name}.${field}: not in the station's schema`);
    else if (!optional && !required.has(field)) wrong.push(`${name}.${field}: the station may leave it out`);
  }
}
console.log(wrong.length === 0 ? `${n} fields fit the station's document` : wrong.join("\n"));
process.exit(wrong.length === 0 ? 0 : 1);
