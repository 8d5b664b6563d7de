// The text of the file beside the drawing, with what the command line would say of it. It stands in a shadow root: there its styles come as sheets
// that the station's content policy lets in.

import { defaultKeymap, indentWithTab } from "@codemirror/commands";
import { HighlightStyle, syntaxHighlighting } from "@codemirror/language";
import { type Diagnostic, lintGutter, lintKeymap, setDiagnostics } from "@codemirror/lint";
import { search, searchKeymap, highlightSelectionMatches } from "@codemirror/search";
import { Annotation, EditorState, Text } from "@codemirror/state";
import { drawSelection, EditorView, highlightActiveLine, highlightActiveLineGutter, keymap, lineNumbers } from "@codemirror/view";
import { tags } from "@lezer/highlight";
import { useEffect, useRef } from "preact/hooks";
import type { Finding } from "../api/design.ts";
import { words } from "../words.ts";
import { toml } from "./toml.ts";

const w = words.design;

const ink = syntaxHighlighting(
  HighlightStyle.define([
    { tag: tags.heading, fontWeight: "700" },
    { tag: tags.propertyName, color: "var(--ink)" },
    { tag: tags.string, color: "var(--ink)" },
    { tag: tags.comment, color: "var(--thin)", fontStyle: "italic" },
    { tag: [tags.number, tags.bool], fontWeight: "600" },
  ]),
);

const look = EditorView.theme({
  "&": { height: "100%", backgroundColor: "var(--paper)", color: "var(--ink)", fontSize: "0.85rem" },
  ".cm-scroller": { fontFamily: 'ui-monospace, "DejaVu Sans Mono", monospace', lineHeight: "1.45" },
  ".cm-gutters": { backgroundColor: "var(--paper)", color: "var(--thin)", borderRight: "1px solid var(--rule)" },
  ".cm-activeLine, .cm-activeLineGutter": { backgroundColor: "color-mix(in srgb, var(--rule) 45%, transparent)" },
  ".cm-cursor": { borderLeftColor: "var(--ink)" },
  "&.cm-focused .cm-selectionBackground, .cm-selectionBackground": { backgroundColor: "var(--water-fill) !important" },
  ".cm-lintRange-error": { backgroundImage: "none", textDecoration: "underline wavy var(--alarm)", textUnderlineOffset: "3px" },
  ".cm-lintRange-warning": { backgroundImage: "none", textDecoration: "underline dashed var(--alarm)", textUnderlineOffset: "3px" },
  ".cm-lintRange-info": { backgroundImage: "none", textDecoration: "underline dotted var(--thin)", textUnderlineOffset: "3px" },
  ".cm-lint-marker": { content: "none !important", width: "1em", height: "1em" },
  ".cm-lint-marker::after": { fontSize: "0.8rem", lineHeight: "1" },
  ".cm-lint-marker-error::after": { content: '"\\25A0"', color: "var(--alarm)" },
  ".cm-lint-marker-warning::after": { content: '"\\25B2"', color: "var(--alarm)" },
  ".cm-lint-marker-info::after": { content: '"\\25CB"', color: "var(--thin)" },
  ".cm-tooltip, .cm-panels": { backgroundColor: "var(--paper)", color: "var(--ink)", border: "1px solid var(--ink)" },
  ".cm-diagnostic": { borderLeft: "4px double var(--alarm)", maxWidth: "40rem", whiteSpace: "pre-line" },
  ".cm-panel button, .cm-panel input": { font: "inherit", color: "inherit", background: "var(--paper)", border: "1px solid var(--thin)", backgroundImage: "none" },
  ".cm-searchMatch": { backgroundColor: "transparent", outline: "1px solid var(--ink)" },
});

/** Marks a change that came from the desk, so that it is not taken for typing. */
const fromDesk = Annotation.define<boolean>();

interface Props {
  text: string;
  findings: Finding[];
  /** Whether the findings are about this very text. */
  isFresh: boolean;
  /** Goes to a line when it changes. */
  goTo: { line: number; column: number; n: number } | undefined;
  onText(text: string): void;
  onUndo(): void;
  onRedo(): void;
}

const SEVERITY = { error: "error", warning: "warning", note: "info" } as const;

/** Places by line and column as offsets into the document. Lines that are no longer there end at its end. */
function offset(doc: Text, line: number, column: number): number {
  if (line > doc.lines) return doc.length;
  const of = doc.line(Math.max(1, line));
  // Columns count characters, the editor counts UTF-16 units.
  const before = [...of.text].slice(0, column - 1).join("").length;
  return Math.min(of.to, of.from + before);
}

function diagnostics(doc: Text, findings: Finding[]): Diagnostic[] {
  return findings.flatMap((finding) => {
    const at = finding.where;
    if (!at) return [];
    const from = offset(doc, at.line, at.column);
    const to = Math.max(from, offset(doc, at.end_line, at.end_column));
    const message = [`${words.design.severity[finding.severity]}: ${finding.message}`, finding.cure].filter(Boolean).join("\n");
    return [{ from, to, severity: SEVERITY[finding.severity], message, source: finding.id }];
  });
}

export function Editor({ text, findings, isFresh, goTo, onText, onUndo, onRedo }: Props) {
  const place = useRef<HTMLDivElement>(null);
  const view = useRef<EditorView>(undefined);
  const acts = useRef({ onText, onUndo, onRedo });
  acts.current = { onText, onUndo, onRedo };
  useEffect(() => {
    const element = place.current;
    if (!element) return;
    const root = element.shadowRoot ?? element.attachShadow({ mode: "open" });
    const run = (act: "onUndo" | "onRedo") => () => {
      acts.current[act]();
      return true;
    };
    const made = new EditorView({
      root,
      parent: root,
      state: EditorState.create({
        doc: text,
        extensions: [
          lineNumbers(),
          lintGutter(),
          highlightActiveLine(),
          highlightActiveLineGutter(),
          drawSelection(),
          highlightSelectionMatches(),
          search({ top: true }),
          toml,
          ink,
          look,
          EditorView.contentAttributes.of({ "aria-label": w.editorLabel }),
          keymap.of([
            // One history for the whole desk, whether a change was typed or dragged.
            { key: "Mod-z", run: run("onUndo"), preventDefault: true },
            { key: "Mod-y", run: run("onRedo"), preventDefault: true },
            { key: "Mod-Shift-z", run: run("onRedo"), preventDefault: true },
            // Escape, then Tab leaves the editor.
            ...searchKeymap,
            ...lintKeymap,
            ...defaultKeymap,
            indentWithTab,
          ]),
          EditorView.updateListener.of((update) => {
            if (!update.docChanged || update.transactions.some((one) => one.annotation(fromDesk))) return;
            acts.current.onText(update.state.doc.toString());
          }),
        ],
      }),
    });
    view.current = made;
    return () => {
      made.destroy();
      view.current = undefined;
    };
  }, []);
  useEffect(() => {
    const now = view.current;
    if (!now) return;
    const old = now.state.doc.toString();
    if (old === text) return;
    // Only what differs is replaced, so that the cursor keeps its place.
    let from = 0;
    while (from < old.length && from < text.length && old[from] === text[from]) from += 1;
    let [a, b] = [old.length, text.length];
    while (a > from && b > from && old[a - 1] === text[b - 1]) {
      a -= 1;
      b -= 1;
    }
    now.dispatch({ changes: { from, to: a, insert: text.slice(from, b) }, annotations: fromDesk.of(true), effects: EditorView.scrollIntoView(from, { y: "nearest" }) });
  }, [text]);
  useEffect(() => {
    const now = view.current;
    if (now && isFresh) now.dispatch(setDiagnostics(now.state, diagnostics(now.state.doc, findings)));
  }, [findings, isFresh]);
  useEffect(() => {
    const now = view.current;
    if (!now || !goTo) return;
    const at = offset(now.state.doc, goTo.line, goTo.column);
    now.dispatch({ selection: { anchor: at }, effects: EditorView.scrollIntoView(at, { y: "center" }) });
    now.focus();
  }, [goTo?.n]);
  return <div ref={place} class="editor" />;
}
