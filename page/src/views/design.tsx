// Design: the section with handles, the text beside it, and what the station finds. Every change is an edit of the text that keeps its comments;
// nothing here reaches a board.

import { lazy, Suspense } from "preact/compat";
import { useEffect, useMemo, useState } from "preact/hooks";
import type { Finding } from "../api/design.ts";
import { AddPart } from "../design/add.tsx";
import { Compare } from "../design/compare.tsx";
import { change, close, desk, drawn, isChanged, isFresh, isLooking, look, problem, redo, refusal, seen, typed, undo } from "../design/desk.ts";
import { Figures, Findings, Lines, Refused } from "../design/findings.tsx";
import { kept, moves, written } from "../design/handle.ts";
import { handleName, Handles } from "../design/handles.tsx";
import { Open, SaveDraft } from "../design/open.tsx";
import { PartForm } from "../design/part.tsx";
import { tableOf, tables } from "../design/tables.ts";
import { Verdict } from "../design/verdict.tsx";
import { SheetView } from "../section/sheet.tsx";
import { balloons } from "../section/view.ts";
import { words } from "../words.ts";

// Fetched when somebody opens the text.
const Editor = lazy(() => import("../design/editor.tsx").then((module) => module.Editor));

const w = words.design;
const NONE = new Map();
const NOTHING: Finding[] = [];

export function Design() {
  const now = desk.value;
  const [isOpening, setOpening] = useState(now === undefined);
  useEffect(() => {
    if (now && !seen.peek()) void look();
  }, []);
  return (
    <>
      {(isOpening || !now) && <Open onOpened={() => setOpening(false)} />}
      {now && <OnDesk onOpen={() => setOpening(!isOpening)} />}
    </>
  );
}

function OnDesk({ onOpen }: { onOpen(): void }) {
  const now = desk.value;
  const [isText, setText] = useState(false);
  const [isComparing, setComparing] = useState(false);
  const [isSaving, setSaving] = useState(false);
  const [handle, setHandle] = useState("");
  const [part, setPart] = useState("");
  const [goTo, setGoTo] = useState<{ line: number; column: number; n: number }>();
  const text = now?.text ?? "";
  const all = useMemo(() => tables(text), [text]);
  const found = seen.value;
  const shown = drawn.value;
  useEffect(() => {
    const onKey = (event: KeyboardEvent) => {
      if (!(event.ctrlKey || event.metaKey) || event.altKey || event.defaultPrevented) return;
      if ((event.target as HTMLElement).closest("input, textarea, select, .editor")) return;
      const key = event.key.toLowerCase();
      if (key !== "z" && key !== "y") return;
      event.preventDefault();
      if (key === "y" || event.shiftKey) redo();
      else undo();
    };
    addEventListener("keydown", onKey);
    return () => removeEventListener("keydown", onKey);
  }, []);
  const marks = useMemo(
    () => (shown?.sheet ? balloons((found?.diagnostics ?? []).filter(({ severity }) => severity !== "note").map((one) => (one.about ?? []).join(" ")), shown.sheet) : []),
    [found?.diagnostics, shown?.sheet],
  );
  if (!now) return null;
  const toLine = (line: number, column = 1) => {
    setText(true);
    setGoTo({ line, column, n: (goTo?.n ?? 0) + 1 });
  };
  const last = now.past.at(-1);
  return (
    <>
      <p class="row no-print">
        <span class="origin">
          {w.origin[now.origin.kind](now.origin.name)} {isChanged.value ? w.changed(now.past.length) : w.unchanged}
        </span>
      </p>
      <div class="row no-print" role="group" aria-label={w.acts}>
        <button type="button" class="small" disabled={!last} title={last?.what} onClick={undo}>
          ↶ {w.undo}
        </button>
        <button type="button" class="small" disabled={now.future.length === 0} title={now.future[0]?.what} onClick={redo}>
          ↷ {w.redo}
        </button>
        <button type="button" class="small" aria-pressed={isText} onClick={() => setText(!isText)}>
          {w.text}
        </button>
        <button type="button" class="small" aria-pressed={isComparing} onClick={() => setComparing(!isComparing)}>
          {w.compare}
        </button>
        <button type="button" class="small" onClick={() => setSaving(true)}>
          {w.save}
        </button>
        <button type="button" class="small" onClick={onOpen}>
          {w.open}
        </button>
        <button type="button" class="small" onClick={() => (!isChanged.value || confirm(w.closeSure)) && close()}>
          {w.close}
        </button>
      </div>
      {isSaving && <SaveDraft onClose={() => setSaving(false)} />}
      {problem.value !== "" && (
        <p class="bad" role="alert">
          {problem.value}{" "}
          <button type="button" class="small" onClick={() => void look()}>
            {words.retry}
          </button>
        </p>
      )}
      {refusal.value && <Refused of={refusal.value} />}
      {isComparing && <Compare onClose={() => setComparing(false)} />}
      <div class={`bench${isText ? " with-text" : ""}`}>
        <section aria-labelledby="design-section" class="drawing printed-section" aria-busy={isLooking.value}>
          <h2 id="design-section">{words.now.section}</h2>
          {!shown?.sheet && (found ? <p class="bad">{w.noDrawing}</p> : <p class="pending">{words.section.loading}</p>)}
          {shown?.sheet && (
            <>
              {!found?.sheet && <p class="note stale">{w.oldDrawing}</p>}
              <SheetView
                sheet={shown.sheet}
                values={NONE}
                balloons={marks}
                isBare
                onPart={(id) => {
                  const table = tableOf(all, id);
                  if (table) setPart(table.path);
                }}
                over={(over) => <Handles all={shown.handles} over={over} picked={handle} onPick={setHandle} />}
              />
              <HandleForm picked={handle} onPick={setHandle} />
            </>
          )}
        </section>
        {isText && (
          <section aria-labelledby="design-text" class="text no-print">
            <h2 id="design-text">{w.text}</h2>
            <Suspense fallback={<p class="pending">{words.loading}</p>}>
              <Editor
                text={text}
                findings={found?.diagnostics ?? NOTHING}
                isFresh={isFresh.value}
                goTo={goTo}
                onText={(next) => typed(next, w.typed)}
                onUndo={undo}
                onRedo={redo}
              />
            </Suspense>
          </section>
        )}
        <div class="aside">
          <Verdict />
          <Findings list={found?.diagnostics ?? NOTHING} onGo={(finding) => finding.where && toLine(finding.where.line, finding.where.column)} />
        </div>
        <div class="aside">
          <div>
            <PartForm tables={all} path={part} onPick={setPart} onGo={toLine} />
            <AddPart onAdded={setPart} />
          </div>
          <Lines list={found?.lines ?? []} />
          <Figures list={found?.figures ?? []} />
          {found && <p class="note">{w.took(found.took_ms)}</p>}
        </div>
      </div>
    </>
  );
}

/** The same as dragging, for who would rather type. */
function HandleForm({ picked, onPick }: { picked: string; onPick(id: string): void }) {
  const list = drawn.value?.handles ?? [];
  const handle = list.find(({ id }) => id === picked) ?? list[0];
  if (!handle) return null;
  const submit = (event: SubmitEvent) => {
    event.preventDefault();
    const given = String(new FormData(event.currentTarget as HTMLFormElement).get("value") ?? "").trim();
    if (given !== "" && given !== handle.text) {
      void change([{ op: "set", path: handle.path, key: handle.key, value: given }], w.moved(handle.path, handle.key, given));
    }
  };
  const by = (step: number) => {
    const value = kept(handle, handle.value_m + step);
    void change(moves(handle, value, list), w.moved(handle.path, handle.key, written(handle, value)));
  };
  return (
    <form class="row no-print" onSubmit={submit} aria-label={w.handles}>
      <label class="field inline">
        <span>{w.handlePick}</span>
        <select value={handle.id} onChange={(event) => onPick(event.currentTarget.value)}>
          {list.map((one) => (
            <option key={one.id} value={one.id}>
              {handleName(one)}
            </option>
          ))}
        </select>
      </label>
      <button type="button" class="small" aria-label={w.less} onClick={() => by(-0.005)}>
        −
      </button>
      <label class="field inline">
        <span class="aloud">{w.handleValue}</span>
        <input key={`${handle.id}${handle.text}`} name="value" size={9} defaultValue={handle.text} autocomplete="off" />
      </label>
      <button type="button" class="small" aria-label={w.more} onClick={() => by(0.005)}>
        +
      </button>
      <button type="submit" class="small">
        {w.set}
      </button>
      <span class="note">{w.between(written(handle, handle.min), written(handle, handle.max))}</span>
    </form>
  );
}
