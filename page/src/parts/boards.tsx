// Which board a view is about, and whether what it told is old.

import { signal } from "@preact/signals";
import type { BoardNow } from "../api/types.ts";
import { ageOf, isOld, state, stationNow } from "../live.ts";
import { span } from "../time.ts";
import { words } from "../words.ts";

const chosen = signal("");

/** The board that a person chose, or the first. */
export function theBoard(): BoardNow | undefined {
  const boards = state.value?.boards ?? [];
  return boards.find((board) => board.name === chosen.value) ?? boards[0];
}

export function BoardChoice() {
  const boards = state.value?.boards ?? [];
  if (boards.length < 2) return null;
  return (
    <label class="field inline">
      <span>{words.board}</span>
      <select value={theBoard()?.name} onChange={(event) => (chosen.value = event.currentTarget.value)}>
        {boards.map((board) => (
          <option key={board.name} value={board.name}>
            {words.boardOf(board.name, board.system)}
          </option>
        ))}
      </select>
    </label>
  );
}

/** A board that has told nothing for so long while its line is not up is slow, ms. */
const SLOW_MS = 5_000;

/** Says that a board's values are old, and why. */
export function Stale({ board }: { board: BoardNow }) {
  const now = stationNow.value;
  const why = board.link.why ?? (board.link.state === "up" ? undefined : board.link.state);
  const age = ageOf(board, now);
  if (!isOld(board, now)) {
    // A board that has just stopped answering is said at once; its values are called old a while later.
    if (age === undefined || age < SLOW_MS || board.link.state === "up") return null;
    return (
      <p class="note stale" role="status">
        {words.fresh.boardSlow(board.name, span(age), board.link.why)}
      </p>
    );
  }
  return (
    <p class="bad stale" role="status">
      {age === undefined ? words.fresh.boardNone(board.name, why) : words.fresh.boardSilent(board.name, span(age), why)}
    </p>
  );
}
