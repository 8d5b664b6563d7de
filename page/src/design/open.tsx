// What is put on the desk, and where it is kept: the file of a board, a draft of the station, a new file from a few questions.

import { useState } from "preact/hooks";
import { get, path, post, put, remove, said } from "../api/client.ts";
import type { BoardFile, Draft } from "../api/design.ts";
import { state, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { Ask, text } from "../parts/ask.tsx";
import { Waits } from "../parts/state.tsx";
import { moment } from "../time.ts";
import { words } from "../words.ts";
import { desk, open, saved } from "./desk.ts";
import { Questions } from "./questions.tsx";

const w = words.design;

export function Open({ onOpened }: { onOpened(): void }) {
  const boards = state.value?.boards ?? [];
  const drafts = useLoaded(() => get<Draft[]>("drafts"), []);
  const [problem, setProblem] = useState("");
  const [isAsking, setAsking] = useState(false);
  const first = boards[0]?.name ?? "";
  const attempt = (act: () => Promise<void>) => async () => {
    setProblem("");
    try {
      await act();
      onOpened();
    } catch (error) {
      setProblem(said(error));
    }
  };
  const ofBoard = (name: string) =>
    attempt(async () => {
      const file = await get<BoardFile>(`boards/${path(name)}/file`);
      open({ kind: "board", name, board: name, text: file.text });
    });
  const ofDraft = (name: string) =>
    attempt(async () => {
      const draft = await get<Draft>(`drafts/${path(name)}`);
      open({ kind: "draft", name, hash: draft.hash, board: first, text: draft.text ?? "" });
    });
  return (
    <section aria-labelledby="open">
      <h2 id="open">{w.open}</h2>
      <p class="note">{w.openHint}</p>
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      <ul class="sentences">
        {boards.map((board) => (
          <li key={board.name} class="line">
            <p>{w.ofBoard(board.system, board.name)}</p>
            <button type="button" class="small" aria-label={w.openOf(board.system)} onClick={ofBoard(board.name)}>
              {w.openIt}
            </button>
          </li>
        ))}
        {drafts.value?.map((draft) => (
          <li key={draft.name} class="line">
            <p>{w.ofDraft(draft.name, draft.by, moment(draft.saved_ms, stationNow.value))}</p>
            <span class="row">
              <button type="button" class="small" aria-label={w.openOf(draft.name)} onClick={ofDraft(draft.name)}>
                {w.openIt}
              </button>
              <button
                type="button"
                class="small"
                aria-label={w.dropOf(draft.name)}
                onClick={async () => {
                  if (!confirm(w.dropSure(draft.name))) return;
                  try {
                    await remove(`drafts/${path(draft.name)}`);
                    drafts.again();
                  } catch (error) {
                    setProblem(said(error));
                  }
                }}
              >
                {w.drop}
              </button>
            </span>
          </li>
        ))}
      </ul>
      <Waits of={drafts} />
      <button type="button" onClick={() => setAsking(!isAsking)} aria-expanded={isAsking}>
        {w.fromNothing}
      </button>
      {isAsking && (
        <Questions
          send={async (answers) => {
            const made = await post<{ text: string }>("design/start", { answers });
            open({ kind: "new", name: w.newName, board: first, text: made.text });
            onOpened();
          }}
        />
      )}
    </section>
  );
}

/** Keeps the text at the station as a draft. What somebody else saved meanwhile is not written over. */
export function SaveDraft({ onClose }: { onClose(): void }) {
  const now = desk.value;
  if (!now) return null;
  const isDraft = now.origin.kind === "draft";
  return (
    <Ask
      title={w.saveTitle}
      go={w.saveGo}
      onClose={onClose}
      send={async (form) => {
        const name = text(form, "name");
        const base = isDraft && name === now.origin.name ? now.origin.hash : undefined;
        const draft = await put<Draft>(`drafts/${path(name)}`, { text: now.text, ...(base ? { base_hash: base } : {}) });
        saved(name, draft.hash);
        return <p class="good">{w.savedAs(name)}</p>;
      }}
    >
      <p>{w.saveDoes}</p>
      <label class="field">
        <span>{w.saveName}</span>
        <input name="name" required maxLength={80} defaultValue={isDraft ? now.origin.name : ""} placeholder={w.saveExample} autocomplete="off" />
      </label>
    </Ask>
  );
}
