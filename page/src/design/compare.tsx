// Two texts side by side: both sections, and what differs in findings, figures and faults.

import { useMemo, useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { BoardFile, Comparison, Draft, Look } from "../api/design.ts";
import { state } from "../live.ts";
import { useLoaded } from "../load.ts";
import { Waits } from "../parts/state.tsx";
import { SheetView } from "../section/sheet.tsx";
import { words } from "../words.ts";
import { desk } from "./desk.ts";
import { Differences } from "./differences.tsx";

const w = words.design;
const NONE = new Map();

async function textOf(which: string): Promise<string> {
  const [kind, ...rest] = which.split(":");
  const name = rest.join(":");
  if (kind === "board") return (await get<BoardFile>(`boards/${path(name)}/file`)).text;
  if (kind === "draft") return (await get<Draft>(`drafts/${path(name)}`)).text ?? "";
  return desk.value?.text ?? "";
}

export function Compare({ onClose }: { onClose(): void }) {
  const drafts = useLoaded(() => get<Draft[]>("drafts"), []);
  const origin = desk.value?.origin;
  const [a, setA] = useState(origin?.kind === "draft" ? `draft:${origin.name}` : `board:${origin?.board ?? ""}`);
  const [b, setB] = useState("desk:");
  const deskText = desk.value?.text;
  const both = useLoaded(async () => {
    const [textA, textB] = await Promise.all([textOf(a), textOf(b)]);
    const board = origin?.board ? { board: origin.board } : {};
    const [lookA, lookB, differs] = await Promise.all([
      post<Look>("design/look", { text: textA, ...board }),
      post<Look>("design/look", { text: textB, ...board }),
      post<Comparison>("design/compare", { a: textA, b: textB, ...board }).catch((error: unknown) => said(error)),
    ]);
    return { lookA, lookB, differs };
  }, [a, b, a === "desk:" || b === "desk:" ? deskText : ""]);
  const choices = useMemo(
    () => [
      ["desk:", w.onDesk],
      ...(state.value?.boards ?? []).map((board) => [`board:${board.name}`, w.ofBoard(board.system, board.name)]),
      ...(drafts.value ?? []).map((draft) => [`draft:${draft.name}`, w.draftNamed(draft.name)]),
    ],
    [drafts.value, state.value?.boards.length],
  );
  const choice = (label: string, value: string, set: (value: string) => void) => (
    <label class="field inline">
      <span>{label}</span>
      <select value={value} onChange={(event) => set(event.currentTarget.value)}>
        {choices.map(([id, text]) => (
          <option key={id} value={id}>
            {text}
          </option>
        ))}
      </select>
    </label>
  );
  const found = both.value;
  return (
    <section aria-labelledby="compare">
      <h2 id="compare">{w.compareTitle}</h2>
      <div class="row">
        {choice("A", a, setA)}
        {choice("B", b, setB)}
        <button type="button" class="small" onClick={onClose}>
          {words.close}
        </button>
      </div>
      <Waits of={both} />
      {found && (
        <>
          <div class="pair">
            {[found.lookA, found.lookB].map((look, n) => (
              <div key={n}>
                <h3>{n === 0 ? "A" : "B"}</h3>
                {look.sheet ? <SheetView sheet={look.sheet} values={NONE} isBare /> : <p class="bad">{w.noDrawing}</p>}
              </div>
            ))}
          </div>
          {typeof found.differs === "string" ? <p class="bad">{found.differs}</p> : <Differences of={found.differs} />}
        </>
      )}
    </section>
  );
}
