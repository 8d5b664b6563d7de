// What became of a command, in words and with a sign: never more than the board said.

import type { DriveNow, Order } from "../api/types.ts";
import { outputText } from "../section/values.ts";
import { sentence, words } from "../words.ts";

const SIGN: Record<string, string> = { done: "✓", refused: "✕", "not-done": "✕", "not-known": "?", "under-way": "…" };

/** `drive`: the one that it was about, to say its output afterwards in words. */
export function Outcome({ order, drive }: { order: Order; drive?: DriveNow | undefined }) {
  const isGood = order.status === "done";
  const output = order.output === undefined || !drive ? undefined : drive.is_modulated ? order.output / 10 : order.output;
  return (
    <p class={`outcome ${isGood ? "good" : order.status === "under-way" ? "pending" : "bad"}`}>
      <span class="sign" aria-hidden="true">
        {SIGN[order.status]}
      </span>
      <span>
        {sentence(order.what)} <b>{sentence(words.status[order.status] ?? order.status)}</b> {sentence(order.detail)}
        {drive && output !== undefined && ` ${words.hand.outputAfter(outputText(drive, output))}`}
      </span>
    </p>
  );
}
