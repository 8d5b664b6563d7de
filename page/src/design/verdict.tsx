// The verdict of the FMEA on the text on the desk: how many faults end how, the worst first; on request after every change.

import { useEffect, useState } from "preact/hooks";
import { counts, ordered, ROW_SIGN, VERDICTS } from "../fmea/matrix.ts";
import { run, stop, study } from "../fmea/study.ts";
import { go } from "../router.ts";
import { sentence, words } from "../words.ts";
import { desk, isFresh, seen } from "./desk.ts";

const w = words.faults;
/** A change has rested so long before it is studied, ms. */
const REST_MS = 1500;
/** Rows that are read out here. */
const WORST = 5;

export function Verdict() {
  const now = desk.value;
  const [isFollowing, setFollowing] = useState(false);
  const text = now?.text ?? "";
  const board = now?.origin.board ?? "";
  const hasErrors = !isFresh.value || seen.value?.sheet === undefined;
  useEffect(() => {
    if (!isFollowing || hasErrors || text === "" || study.peek()?.text === text) return;
    const timer = setTimeout(() => void run(text, board, true), REST_MS);
    return () => clearTimeout(timer);
  }, [isFollowing, text, hasErrors]);
  const mine = study.value?.text === text ? study.value : undefined;
  const n = counts(mine?.rows ?? []);
  const worst = ordered((mine?.rows ?? []).filter(({ verdict }) => verdict === "breaks" || verdict === "hidden"), { by: "verdict", requirement: "" });
  return (
    <section aria-labelledby="verdict">
      <h2 id="verdict">{w.verdict}</h2>
      {!mine && <p class="note">{study.value ? w.before : w.notYet}</p>}
      {mine?.problem && <p class="bad">{mine.problem}</p>}
      <p role="status" class={mine?.isRunning ? "pending" : ""}>
        {mine?.isRunning ? (mine.progress ? w.running(mine.rows.length, mine.progress.done, mine.progress.total) : w.settling) : mine?.tookMs !== undefined ? w.took(mine.rows.length, mine.tookMs) : ""}
      </p>
      {mine && mine.rows.length > 0 && (
        <ul class="verdicts">
          {VERDICTS.map((verdict) => (
            <li key={verdict} class={verdict}>
              <span class="sign" aria-hidden="true">
                {ROW_SIGN[verdict]}
              </span>{" "}
              {n[verdict]} {w.row[verdict]}
            </li>
          ))}
        </ul>
      )}
      {worst.length > 0 && (
        <ol class="sentences">
          {worst.slice(0, WORST).map((row) => (
            <li key={row.fault}>{sentence(row.sentence)}</li>
          ))}
        </ol>
      )}
      <div class="row">
        {mine?.isRunning ? (
          <button type="button" class="small" onClick={stop}>
            {w.stop}
          </button>
        ) : (
          <button type="button" class="small" disabled={hasErrors} onClick={() => void run(text, board, true)}>
            {mine && mine.rows.length > 0 ? w.again : w.begin}
          </button>
        )}
        {mine && mine.rows.length > 0 && (
          <button type="button" class="small" onClick={() => go("faults")}>
            {w.toMatrix}
          </button>
        )}
      </div>
      <label class="check">
        <input type="checkbox" checked={isFollowing} onChange={() => setFollowing(!isFollowing)} />
        {w.follow}
      </label>
    </section>
  );
}
