// What lies on the desk: one text of a system file, where it came from, what was done to it, and what the station says of it. A text is kept in
// this browser until it is put away, so that nothing is lost with the window.

import { computed, signal } from "@preact/signals";
import { post, said } from "../api/client.ts";
import type { Edit, Look, Refusal } from "../api/design.ts";

export interface Origin {
  kind: "board" | "draft" | "new";
  name: string;
  /** Of the draft as it was opened or saved. */
  hash?: string;
  /** The board whose own parts count with it. */
  board: string;
  /** As it was opened or saved. */
  text: string;
}

/** A text that was on the desk, and what was done to it next. */
interface Step {
  text: string;
  what: string;
}

export interface Desk {
  origin: Origin;
  text: string;
  past: Step[];
  future: Step[];
}

const KEY = "tidewright-desk";
/** Steps that can be taken back. */
const STEPS = 200;
/** Typing is looked at when it has rested so long, ms. */
const REST_MS = 120;
/** Letters typed within this are one step, ms. */
const TYPING_MS = 1200;

function restored(): Desk | undefined {
  try {
    const kept = JSON.parse(localStorage.getItem(KEY) ?? "null") as { origin: Origin; text: string } | null;
    return kept ? { origin: kept.origin, text: kept.text, past: [], future: [] } : undefined;
  } catch {
    return undefined;
  }
}

export const desk = signal<Desk | undefined>(typeof localStorage === "undefined" ? undefined : restored());
/** What the station said last; while something is dragged, of the text as it would be. */
export const seen = signal<Look | undefined>(undefined);
/** The last look that had a drawing: it stays while a text has mistakes. */
export const drawn = signal<Look | undefined>(undefined);
export const problem = signal("");
export const refusal = signal<Refusal | undefined>(undefined);
export const isLooking = signal(false);

export const isChanged = computed(() => desk.value !== undefined && desk.value.text !== desk.value.origin.text);
/** The text that the drawing is of is that on the desk. */
export const isFresh = computed(() => seen.value?.text === desk.value?.text);

let asked = 0;
let answered = 0;
let resting: ReturnType<typeof setTimeout> | undefined;
let typedAt = 0;

function put(next: Desk | undefined): void {
  desk.value = next;
  try {
    if (next) localStorage.setItem(KEY, JSON.stringify({ origin: next.origin, text: next.text }));
    else localStorage.removeItem(KEY);
  } catch {
    // A browser that keeps nothing loses the text with the window.
  }
}

/** Asks what is to be seen of a text; gives nothing where a newer answer came first, or none. */
async function ask(text: string, edits: Edit[] = []): Promise<Look | undefined> {
  asked += 1;
  const mine = asked;
  isLooking.value = true;
  try {
    const board = desk.peek()?.origin.board;
    const look = await post<Look>("design/look", { text, edits, ...(board ? { board } : {}) });
    if (mine < answered) return undefined;
    answered = mine;
    problem.value = "";
    return look;
  } catch (error) {
    if (mine >= answered) problem.value = said(error);
    return undefined;
  } finally {
    if (mine === asked) isLooking.value = false;
  }
}

function show(look: Look): void {
  seen.value = look;
  if (look.sheet) drawn.value = look;
}

/** Looks at the text on the desk. */
export async function look(): Promise<void> {
  const now = desk.peek();
  if (!now) return;
  const found = await ask(now.text);
  if (found) show(found);
}

export function open(origin: Origin): void {
  put({ origin, text: origin.text, past: [], future: [] });
  refusal.value = undefined;
  drawn.value = undefined;
  seen.value = undefined;
  void look();
}

export function close(): void {
  put(undefined);
  seen.value = undefined;
  drawn.value = undefined;
}

/** The text was saved: what is on the desk is the draft of this name. */
export function saved(name: string, hash: string): void {
  const now = desk.peek();
  if (now) put({ ...now, origin: { ...now.origin, kind: "draft", name, hash, text: now.text } });
}

function step(now: Desk, text: string, what: string): Desk {
  return { ...now, text, past: [...now.past, { text: now.text, what }].slice(-STEPS), future: [] };
}

/** Takes a whole new text: what was typed, or a text from elsewhere. */
export function typed(text: string, what: string): void {
  const now = desk.peek();
  if (!now || now.text === text) return;
  const at = Date.now();
  const last = now.past.at(-1);
  const isOne = last?.what === what && at - typedAt < TYPING_MS && now.future.length === 0;
  typedAt = at;
  put(isOne ? { ...now, text } : step(now, text, what));
  refusal.value = undefined;
  clearTimeout(resting);
  resting = setTimeout(() => void look(), REST_MS);
}

/** Makes changes to the text; false where they were refused or nobody answered. */
export async function change(edits: Edit[], what: string): Promise<boolean> {
  const now = desk.peek();
  if (!now) return false;
  const found = await ask(now.text, edits);
  if (!found) return false;
  refusal.value = found.refused;
  if (found.refused) return false;
  put(step(now, found.text, what));
  show(found);
  return true;
}

let isAsking = false;
let waiting: Edit[] | undefined;

/** Shows what a change would do, without making it. The newest wins; one is asked for at a time. */
export async function preview(edits: Edit[]): Promise<void> {
  waiting = edits;
  if (isAsking) return;
  isAsking = true;
  while (waiting) {
    const next = waiting;
    waiting = undefined;
    const now = desk.peek();
    if (!now) break;
    const found = await ask(now.text, next);
    if (found && !found.refused) show(found);
    refusal.value = found?.refused;
  }
  isAsking = false;
}

/** Shows the text as it is again. */
export async function noPreview(): Promise<void> {
  waiting = undefined;
  refusal.value = undefined;
  await look();
}

export function undo(): void {
  const now = desk.peek();
  const last = now?.past.at(-1);
  if (!now || !last) return;
  put({ ...now, text: last.text, past: now.past.slice(0, -1), future: [{ text: now.text, what: last.what }, ...now.future] });
  refusal.value = undefined;
  typedAt = 0;
  void look();
}

export function redo(): void {
  const now = desk.peek();
  const next = now?.future[0];
  if (!now || !next) return;
  put({ ...now, text: next.text, past: [...now.past, { text: now.text, what: next.what }], future: now.future.slice(1) });
  refusal.value = undefined;
  typedAt = 0;
  void look();
}
