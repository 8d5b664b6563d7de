// What would mend a row: the station tries the standard changes by simulation; each says what it adds and what it makes worse.

import { useEffect, useRef, useState } from "preact/hooks";
import { said } from "../api/client.ts";
import type { Mend } from "../api/design.ts";
import { events } from "../api/events.ts";
import { ended, sentence, words } from "../words.ts";
import type { Place } from "./matrix.tsx";

const w = words.faults;

interface Props {
  text: string;
  board: string;
  place: Place;
  hasCorners: boolean;
  onTake(mend: Mend): Promise<void>;
}

export function Mends({ text, board, place, hasCorners, onTake }: Props) {
  const [list, setList] = useState<Mend[]>([]);
  const [trying, setTrying] = useState("");
  const [sum, setSum] = useState<{ tried: number; closing: number }>();
  const [problem, setProblem] = useState("");
  const [isRunning, setRunning] = useState(false);
  const line = useRef<AbortController>(undefined);
  useEffect(() => () => line.current?.abort(), []);
  const begin = async () => {
    line.current?.abort();
    const mine = new AbortController();
    line.current = mine;
    setList([]);
    setSum(undefined);
    setProblem("");
    setRunning(true);
    try {
      await events(
        "design/mends",
        { text, ...place, corners: hasCorners, ...(board ? { board } : {}) },
        (event, data) => {
          if (event === "trying") setTrying((data as { text: string }).text);
          // One that is tried again with the whole design takes the place of its first answer.
          else if (event === "mend") setList((old) => [...old.filter(({ id, text }) => id !== (data as Mend).id || text !== (data as Mend).text), data as Mend]);
          else if (event === "done") setSum(data as { tried: number; closing: number });
          else if (event === "failed") setProblem((data as { message: string }).message);
        },
        mine.signal,
      );
    } catch (error) {
      if (!mine.signal.aborted) setProblem(said(error));
    }
    if (line.current === mine) {
      setRunning(false);
      setTrying("");
    }
  };
  const sorted = [...list].sort((a, b) => Number(b.closes) - Number(a.closes) || (a.rows_worse?.length ?? 99) - (b.rows_worse?.length ?? 99));
  return (
    <section aria-labelledby="mends" class="no-print">
      <h3 id="mends">{w.mends}</h3>
      <div class="row">
        <button type="button" onClick={() => void begin()} disabled={isRunning}>
          {w.mend}
        </button>
        {isRunning && (
          <button type="button" class="small" onClick={() => line.current?.abort()}>
            {w.stop}
          </button>
        )}
      </div>
      <p role="status" class={isRunning ? "pending" : ""}>
        {isRunning ? w.trying(trying) : sum ? w.tried(sum.tried, sum.closing) : ""}
      </p>
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      <ol class="mends">
        {sorted.map((mend) => (
          <li key={mend.id + mend.text} class={mend.closes ? "closes" : "fails"}>
            <p>
              <span class="sign" aria-hidden="true">
                {mend.closes ? "✓" : "✕"}
              </span>{" "}
              <b>{mend.closes ? w.closes : w.fails}</b>: {sentence(mend.text)}
            </p>
            <p class="note">{sentence(mend.sentence)}</p>
            <p class="note">{w.adds(mend.parts, mend.channels, mend.bytes, mend.price === undefined ? "" : `${mend.price.toFixed(0)} ${mend.currency ?? ""}`.trim())}</p>
            {mend.rows_worse !== undefined && (
              <p class={mend.rows_worse.length === 0 ? "note" : ""}>
                {mend.rows_worse.length === 0 ? w.noneWorse : w.worse(mend.rows_worse.length)} {mend.rows_worse.map((row) => ended(row.text)).join(" ")}
              </p>
            )}
            <button type="button" class="small" aria-label={w.takeOf(mend.text)} onClick={() => void onTake(mend)}>
              {w.take}
            </button>
          </li>
        ))}
      </ol>
      {list.length > 0 && <p class="caution">{w.caution}</p>}
    </section>
  );
}
