// Rows of the FMEA that a revision makes worse: compared before it is sent, each with a field for its reason; afterwards each with the reason it has.

import { useEffect, useRef, useState } from "preact/hooks";
import { Problem } from "../api/client.ts";
import { events } from "../api/events.ts";
import type { Weighed, WeighedRow } from "../api/types.ts";
import { sentence, words } from "../words.ts";
import { text } from "./ask.tsx";
import { At } from "./at.tsx";

const w = words.revisions;
const field = (fault: string) => `reason ${fault}`;

/** The reasons in a form, by row; rows without one are left out. */
export function reasonsOf(form: FormData, rows: WeighedRow[]): Record<string, string> {
  const given = rows.map((row): [string, string] => [row.fault, text(form, field(row.fault))]);
  return Object.fromEntries(given.filter(([, why]) => why !== ""));
}

/** Rows that want a reason and have none. */
export function unanswered(rows: WeighedRow[]): WeighedRow[] {
  return rows.filter((row) => row.wants_reason && !row.reason);
}

/** How far a comparison is, with what it found so far. */
export interface Comparing {
  stage?: { stage: string; of: string };
  progress?: { done: number; total: number };
  rows: WeighedRow[];
  done?: Weighed;
}

/** Compares with what the board runs when it is told to; ends with the component. */
export function useComparison(base: string): [Comparing | undefined, (what: { text: string } | { revision: number }) => Promise<Weighed>] {
  const [state, setState] = useState<Comparing>();
  const line = useRef<AbortController | undefined>(undefined);
  useEffect(() => () => line.current?.abort(), []);
  const run = async (what: { text: string } | { revision: number }) => {
    line.current?.abort();
    const mine = new AbortController();
    line.current = mine;
    let now: Comparing = { rows: [] };
    let failed: string | undefined;
    const show = (change: Partial<Comparing>) => {
      now = { ...now, ...change };
      setState(now);
    };
    show({});
    await events(
      `${base}/revisions/compare`,
      what,
      (event, data) => {
        if (event === "begins") {
          const stage = data as { stage: string; of: string };
          // What counts comes from the whole.
          show(stage.stage === now.stage?.stage ? { stage } : { stage, rows: [] });
        } else if (event === "progress") show({ progress: data as { done: number; total: number } });
        else if (event === "row") show({ rows: [...now.rows, (data as { row: WeighedRow }).row] });
        else if (event === "done") show({ done: data as Weighed, rows: (data as Weighed).worse });
        else if (event === "failed") failed = (data as { message: string }).message;
      },
      mine.signal,
    );
    if (failed !== undefined) throw new Problem("not-compared", w.notCompared, `${failed} ${w.wayOut}`, 0);
    if (!now.done) throw new Problem("not-compared", w.notCompared, w.brokeOff, 0);
    return now.done;
  };
  return [state, run];
}

/** One row: what it becomes, what it was. */
function Turned({ row }: { row: WeighedRow }) {
  return (
    <>
      <b class="code">{row.fault}</b>: {w.becomes(row.after, row.before)}
      {row.beside?.map((cell) => (
        <span key={cell} class="note">
          {" "}
          {sentence(w.worseToo(cell))}
        </span>
      ))}{" "}
      <span class="note">{row.description}</span>
    </>
  );
}

/** While it runs and when it is done: rows with fields for reasons. */
export function Reasons({ of }: { of: Comparing }) {
  const { done, stage, progress } = of;
  return (
    <div class="weighing" aria-live="polite">
      {!done && (
        <p class="pending">
          {stage ? w.comparing(stage.stage, stage.of) : w.comparingWaits}{" "}
          {progress && progress.total > 0 && <progress value={progress.done} max={progress.total} aria-label={w.progress} />}
        </p>
      )}
      {done && done.detail && <p class="note">{w.nothingToCompare(done.detail)}</p>}
      {done && !done.detail && <p class={done.worse.length > 0 ? "bad" : ""}>{w.found(done.worse.length, done.n_better)}</p>}
      {of.rows.length > 0 && (
        <ul class="sentences">
          {of.rows.map((row) => (
            <li key={row.fault} data-row={row.fault}>
              <p>
                <Turned row={row} />
              </p>
              {row.reason && <p class="note">{w.because(row.reason.text, row.reason.who)}</p>}
              {!row.wants_reason && row.accepted && <p class="note">{w.accepts(row.accepted)}</p>}
              {done && row.wants_reason && !row.reason && (
                <label class="field">
                  <span>{w.reasonFor(row.fault)}</span>
                  <input name={field(row.fault)} required maxLength={200} autocomplete="off" />
                </label>
              )}
            </li>
          ))}
        </ul>
      )}
    </div>
  );
}

/** What stands in the list below a revision. */
export function Kept({ of, onExplain }: { of: Weighed; onExplain: (() => void) | undefined }) {
  const how = w.sent[of.sent];
  if (of.sent === "compared" && of.worse.length === 0) return null;
  return (
    <div class="weighed">
      {how && <p class="note">{sentence(of.compared_ms === undefined ? w.notComparedYet(how) : how)}</p>}
      <ul>
        {of.worse.map((row) => (
          <li key={row.fault} data-row={row.fault}>
            <Turned row={row} />{" "}
            {row.reason ? (
              <span>
                {w.because(row.reason.text, row.reason.who)} <At ms={row.reason.at_ms} />
              </span>
            ) : row.wants_reason ? (
              <p class="bad">{w.noReason}</p>
            ) : (
              row.accepted && <span>{w.accepts(row.accepted)}</span>
            )}
          </li>
        ))}
      </ul>
      {of.n_unanswered > 0 && onExplain && (
        <button type="button" class="small" onClick={onExplain}>
          {w.explain}
        </button>
      )}
    </div>
  );
}
