// Faults: every failure mode against every requirement; a cell is watched on the section, and what would mend it is tried.

import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { get, path, said } from "../api/client.ts";
import type { BoardFile, Mend } from "../api/design.ts";
import { change, desk, open } from "../design/desk.ts";
import { type Place, Matrix } from "../fmea/matrix.tsx";
import { Mends } from "../fmea/mends.tsx";
import { Player } from "../fmea/player.tsx";
import { ofBoard, run, stop, study } from "../fmea/study.ts";
import { cellOf, spoken } from "../fmea/matrix.ts";
import { state } from "../live.ts";
import { useLoaded } from "../load.ts";
import { Waits } from "../parts/state.tsx";
import { go } from "../router.ts";
import { mayAct } from "../session.ts";
import { ended, named, plain, sentence, words } from "../words.ts";

const w = words.faults;

/** `desk`, or the name of a board. */
const DESK = "\0desk";

export function Faults() {
  const boards = state.value?.boards ?? [];
  const now = desk.value;
  const [source, setSource] = useState(() => (now && study.peek()?.text === now.text ? DESK : ""));
  const which = source === "" ? (boards[0]?.name ?? "") : source;
  const [hasCorners, setCorners] = useState(true);
  const [chosen, setChosen] = useState<Place>();
  const file = useLoaded(async () => (which === "" || which === DESK ? undefined : get<BoardFile>(`boards/${path(which)}/file`)), [which]);
  const text = which === DESK ? (now?.text ?? "") : (file.value?.text ?? "");
  const board = which === DESK ? (now?.origin.board ?? "") : which;
  const kept = study.value;
  const mine = kept && kept.text === text && text !== "" ? kept : undefined;
  useEffect(() => {
    // What a board runs was studied by the station already.
    if (which !== DESK && text !== "" && study.peek()?.text !== text) void ofBoard(which, text);
  }, [which, text]);
  useEffect(() => setChosen(undefined), [text]);
  const row = useMemo(() => mine?.rows.find(({ fault }) => fault === chosen?.fault), [mine?.rows, chosen]);
  const detail = useRef<HTMLElement>(null);
  useEffect(() => {
    if (chosen) detail.current?.scrollIntoView({ block: "start" });
  }, [chosen]);
  const take = async (mend: Mend) => {
    if (which !== DESK) open({ kind: "board", name: which, board: which, text });
    if (await change(mend.edits, mend.text)) go("design");
    else go("design");
  };
  const unit = mine?.plan?.requirements.find(({ id }) => id === chosen?.requirement)?.unit;
  return (
    <>
      <div class="row no-print">
        <label class="field inline">
          <span>{w.of}</span>
          <select value={which} onChange={(event) => setSource(event.currentTarget.value)}>
            {boards.map((one) => (
              <option key={one.name} value={one.name}>
                {words.design.ofBoard(one.system, one.name)}
              </option>
            ))}
            {now && <option value={DESK}>{words.design.onDesk}</option>}
          </select>
        </label>
        {mayAct.value && (
          <>
            <button type="button" class="small" disabled={text === "" || mine?.isRunning} onClick={() => void run(text, board, hasCorners)}>
              {mine && mine.rows.length > 0 ? w.again : w.begin}
            </button>
            {mine?.isRunning && (
              <button type="button" class="small" onClick={stop}>
                {w.stop}
              </button>
            )}
            <label class="check">
              <input type="checkbox" checked={hasCorners} onChange={() => setCorners(!hasCorners)} />
              {w.corners}
            </label>
          </>
        )}
      </div>
      <Waits of={file} />
      {mine?.problem && (
        <p class="bad" role="alert">
          {mine.problem}
        </p>
      )}
      {mine?.isRunning && (
        <p class="pending" role="status">
          {mine.progress ? w.running(mine.rows.length, mine.progress.done, mine.progress.total) : w.settling}
        </p>
      )}
      {mine?.findings.map((finding) => (
        <p key={finding.id + finding.message} class="caution">
          {finding.where && `${words.design.line(finding.where.line)}: `}
          {ended(finding.message)} {finding.cure && sentence(finding.cure)}
        </p>
      ))}
      {mine?.plan && (
        <section aria-labelledby="matrix" class="printed-matrix">
          <h2 id="matrix">{w.matrixOf(mine.plan.system)}</h2>
          <p class="note">{w.window(mine.plan.window_h, mine.plan.response_h)}</p>
          <Matrix plan={mine.plan} rows={mine.rows} withoutFault={mine.withoutFault} chosen={chosen} onChoose={setChosen} />
        </section>
      )}
      {chosen && row && mine && (
        <section ref={detail} aria-labelledby="run" class="run">
          <h2 id="run">
            {named(row.part)}: {plain(row.mode.replaceAll("-", " "))}
          </h2>
          <p>{sentence(row.sentence)}</p>
          {(() => {
            const cell = cellOf(row, chosen.requirement);
            return cell && <p class="note">{sentence(spoken(row, cell))}</p>;
          })()}
          {row.acceptance && <p class="note">{w.accepted(plain(row.acceptance))}</p>}
          {row.mend && <p class="note">{w.usual(plain(row.mend))}</p>}
          {mayAct.value ? (
            <>
              <Player text={text} board={board} row={row} place={chosen} unit={unit} />
              <Mends key={`${chosen.fault} ${chosen.requirement}`} text={text} board={board} place={chosen} hasCorners={hasCorners} onTake={(mend) => take(mend).catch((error: unknown) => alert(said(error)))} />
            </>
          ) : (
            <p class="note">{w.lookOnly}</p>
          )}
        </section>
      )}
    </>
  );
}
