// Now: what needs attention, the morning lines, the section with what is measured.

import { useMemo } from "preact/hooks";
import { get } from "../api/client.ts";
import type { BoardNow, Sheet } from "../api/types.ts";
import { isOld, state, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { At } from "../parts/at.tsx";
import { BoardChoice, Stale, theBoard } from "../parts/boards.tsx";
import { MakeSafe } from "../parts/safe.tsx";
import { Waits } from "../parts/state.tsx";
import { SheetView } from "../section/sheet.tsx";
import { balloons } from "../section/view.ts";
import { measured, signalText, valuesOf } from "../section/values.ts";
import { system } from "../units.ts";
import { named, sentence, words } from "../words.ts";

export function Now() {
  const known = state.value;
  const board = theBoard();
  if (!known || !board) return <p class="pending">{words.waitingForStation}</p>;
  return (
    <>
      <BoardChoice />
      <Stale board={board} />
      <div class="desk">
        <section aria-labelledby="attention" class="aside">
          <h2 id="attention">{words.now.attention}</h2>
          {known.attention.length === 0 ? (
            <p class="calm">{words.now.nothing}</p>
          ) : (
            <ol class="attention">
              {known.attention.map((text, n) => (
                <li key={text} data-n={n + 1}>
                  {sentence(text)}
                </li>
              ))}
            </ol>
          )}
          <MakeSafe board={board} />
        </section>
        <section aria-labelledby="morning" class="aside">
          <h2 id="morning">{words.now.morning}</h2>
          <ul class="morning">
            {known.morning.map((line) => (
              <li key={line.text} class={line.needs_attention ? "look" : ""}>
                {line.needs_attention && <b class="mark">{words.now.look}</b>}
                {sentence(line.text)}
              </li>
            ))}
          </ul>
        </section>
        <Section key={board.name} board={board} attention={known.attention} />
      </div>
      <Readings board={board} />
    </>
  );
}

function Section({ board, attention }: { board: BoardNow; attention: string[] }) {
  const sheet = useLoaded(() => get<Sheet>(`section?board=${encodeURIComponent(board.name)}`), [board.name]);
  const isOldNow = isOld(board, stationNow.value);
  const values = useMemo(() => valuesOf(board, isOldNow, system.value), [board, isOldNow, system.value]);
  const marks = useMemo(() => (sheet.value ? balloons(attention, sheet.value) : []), [sheet.value, attention.join("\n")]);
  const list = sheet.value ? measured(sheet.value, values) : [];
  return (
    <section aria-labelledby="section" class="drawing printed-section">
      <h2 id="section">{words.now.section}</h2>
      <Waits of={sheet} what={words.section.loading} />
      {sheet.value && (
        <>
          <SheetView sheet={sheet.value} values={values} balloons={marks} />
          <p class="note">
            {list.length === 0 ? words.now.notMeasured : words.now.measured(list.map(named).join(", "))} {words.section.marks}
            {marks.length > 0 && ` ${words.now.balloons}`}
          </p>
        </>
      )}
    </section>
  );
}

function Readings({ board }: { board: BoardNow }) {
  return (
    <section aria-labelledby="values" class="wide">
      <h2 id="values">{words.now.values}</h2>
      <div class="scroll" tabIndex={0} role="group" aria-labelledby="values">
        <table>
          <thead>
            <tr>
              <th scope="col">{words.now.signal}</th>
              <th scope="col" class="number">
                {words.now.value}
              </th>
              <th scope="col">{words.now.quality}</th>
              <th scope="col">{words.now.since}</th>
            </tr>
          </thead>
          <tbody>
            {board.signals.map((signal) => (
              <tr key={signal.name} class={signal.quality === "good" ? "" : "doubtful"}>
                <th scope="row">{named(signal.name)}</th>
                <td class="number">{signalText(signal, system.value)}</td>
                <td>{words.quality[signal.quality]}</td>
                <td>{signal.since_ms !== undefined && <At ms={signal.since_ms} />}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </section>
  );
}
