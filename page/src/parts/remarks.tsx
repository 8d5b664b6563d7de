// What the station has to say of a measurement or a plan: what, the numbers behind it, what to do. A shape for each level, so that colour is never alone.

import type { Remark } from "../api/types.ts";
import { sentence, words } from "../words.ts";

const SIGN: Record<Remark["level"], string> = { error: "✕", warning: "△", note: "○" };

export function Remarks({ list }: { list: Remark[] }) {
  if (list.length === 0) return null;
  return (
    <ul class="remarks">
      {list.map((remark) => (
        <li key={remark.id + remark.text} class={remark.level}>
          <span class="sign" aria-hidden="true">
            {SIGN[remark.level]}
          </span>{" "}
          <div>
            <p>
              <span class="aloud">{words.remark[remark.level]}: </span>
              {sentence(remark.text)} {remark.help !== undefined && <span>{sentence(remark.help)}</span>}
            </p>
            {remark.facts.length > 0 && <p class="note">{remark.facts.map(sentence).join(" ")}</p>}
          </div>
        </li>
      ))}
    </ul>
  );
}
