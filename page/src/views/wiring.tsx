// Wiring: every wire of the board's system as a drawing and as a list to cut and to check by.

import { useMemo, useRef, useState } from "preact/hooks";
import { get, path } from "../api/client.ts";
import type { Wire, Wiring as Body } from "../api/design.ts";
import { useLoaded } from "../load.ts";
import { BoardChoice, theBoard } from "../parts/boards.tsx";
import { printOnly } from "../parts/print.ts";
import { Waits } from "../parts/state.tsx";
import { ended, sentence, words } from "../words.ts";

const w = words.wiring;

export function Wiring() {
  const board = theBoard()?.name;
  const wiring = useLoaded(async () => (board === undefined ? undefined : get<Body>(`boards/${path(board)}/wiring`)), [board]);
  const found = wiring.value;
  return (
    <>
      <BoardChoice />
      <Waits of={wiring} />
      {found && (
        <>
          <ul class="caution">
            {found.cautions.map((caution) => (
              <li key={caution}>{sentence(caution)}</li>
            ))}
          </ul>
          {found.findings.length > 0 && (
            <ul class="sentences">
              {found.findings.map((finding, n) => (
                <li key={n}>
                  <b>{words.design.severity[finding.severity]}</b>: {ended(finding.message)} {finding.cure && sentence(finding.cure)}
                </li>
              ))}
            </ul>
          )}
          {found.svg === undefined ? <p class="bad">{w.none}</p> : <Drawings svg={found.svg} sheets={found.sheets} />}
          {found.notes.length > 0 && (
            <section aria-labelledby="wiring-notes">
              <h2 id="wiring-notes">{w.notes}</h2>
              <ul>
                {found.notes.map((note) => (
                  <li key={note}>{sentence(note)}</li>
                ))}
              </ul>
            </section>
          )}
          {found.runs.length > 0 && <Wires runs={found.runs} />}
        </>
      )}
    </>
  );
}

/** The drawings bring styles along, which the page's policy lets in only inside of an image. */
function asImage(svg: string): string {
  return `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}`;
}

/** Width over height of a drawing, and its width as it was laid out. */
function sizeOf(svg: string): [number, number] {
  const box = /viewBox="([^"]+)"/.exec(svg)?.[1]?.split(/[\s,]+/).map(Number) ?? [];
  return [(box[2] ?? 1) / (box[3] || 1), box[2] ?? 100];
}

const ZOOMS = [1, 1.5, 2.2, 3.2, 4.6];

function Drawings({ svg, sheets }: { svg: string; sheets: Body["sheets"] }) {
  const all = useMemo(() => [{ title: w.all, svg }, ...sheets], [svg, sheets]);
  // On a phone all rungs under each other; where there is room the first sheet.
  const [n, setN] = useState(() => (innerWidth < 700 || sheets.length === 0 ? 0 : 1));
  const [zoom, setZoom] = useState(0);
  const figure = useRef<HTMLElement>(null);
  const shown = all[Math.min(n, all.length - 1)] ?? { title: "", svg };
  const [ratio, wide] = useMemo(() => sizeOf(shown.svg), [shown.svg]);
  return (
    <figure ref={figure} class="wiring-sheet" data-wide={ratio > 1 ? "" : undefined}>
      <div class="row no-print" role="group" aria-label={w.sheets}>
        <label class="field inline">
          <span>{w.sheet}</span>
          <select value={String(n)} onChange={(event) => setN(Number(event.currentTarget.value))}>
            {all.map((sheet, i) => (
              <option key={sheet.title + i} value={String(i)}>
                {sheet.title}
              </option>
            ))}
          </select>
        </label>
        <button type="button" class="small" disabled={zoom >= ZOOMS.length - 1} onClick={() => setZoom(zoom + 1)}>
          + {words.section.closer}
        </button>
        <button type="button" class="small" disabled={zoom === 0} onClick={() => setZoom(zoom - 1)}>
          − {words.section.wider}
        </button>
        <button type="button" class="small" onClick={() => figure.current && printOnly(figure.current)}>
          {words.section.print}
        </button>
      </div>
      <div class="scroll picture" tabIndex={0} role="group" aria-label={shown.title}>
        <img src={asImage(shown.svg)} alt={w.alt(shown.title)} style={{ width: `${100 * (ZOOMS[zoom] ?? 1)}%`, maxWidth: zoom === 0 && wide < 120 ? "34rem" : "none" }} />
      </div>
    </figure>
  );
}

function Wires({ runs }: { runs: Body["runs"] }) {
  const [find, setFind] = useState("");
  const [isMains, setMains] = useState(false);
  const all = useMemo(() => {
    const seen = new Set<string>();
    return runs.flatMap((run) => run.wires.map((wire) => ({ run, wire }))).filter(({ wire }) => !seen.has(wire.id) && seen.add(wire.id));
  }, [runs]);
  const tokens = find.toLowerCase().split(/\s+/).filter(Boolean);
  const text = (wire: Wire, title: string) => `${wire.id} ${wire.from} ${wire.to} ${wire.function} ${wire.colour_name} ${title}`.toLowerCase();
  const list = all.filter(({ run, wire }) => (!isMains || wire.is_mains) && tokens.every((token) => text(wire, run.title).includes(token)));
  return (
    <section aria-labelledby="wires">
      <h2 id="wires">{w.wires}</h2>
      <div class="row no-print">
        <label class="field inline">
          <span>{words.faults.find}</span>
          <input type="search" value={find} onInput={(event) => setFind(event.currentTarget.value)} />
        </label>
        <label class="check">
          <input type="checkbox" checked={isMains} onChange={() => setMains(!isMains)} />
          {w.onlyMains}
        </label>
        <span class="note" role="status">
          {w.shown(list.length, all.length)}
        </span>
      </div>
      <div class="scroll" tabIndex={0} role="group" aria-labelledby="wires">
        <table>
          <thead>
            <tr>
              <th scope="col">{w.id}</th>
              <th scope="col">{w.from}</th>
              <th scope="col">{w.to}</th>
              <th scope="col">{w.function}</th>
              <th scope="col">{w.colour}</th>
              <th scope="col" class="number">
                {w.size}
              </th>
              <th scope="col" class="number">
                {w.length}
              </th>
            </tr>
          </thead>
          <tbody>
            {list.map(({ wire }) => (
              <tr key={wire.id}>
                <th scope="row">{wire.id}</th>
                <td>{wire.from}</td>
                <td>{wire.to}</td>
                <td>
                  {wire.is_mains && <b class="mark">{w.mains}</b>}
                  {wire.function}
                </td>
                <td>{wire.colour_name}</td>
                <td class="number">{`${wire.mm2}\u00a0mm²`}</td>
                <td class="number">{`${wire.length_m.toFixed(2)}\u00a0m${wire.is_assumed ? "*" : ""}`}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <p class="note">{w.assumed}</p>
    </section>
  );
}
