// The one act for the night: make safe, with the outcome of every step.

import { useState } from "preact/hooks";
import { post } from "../api/client.ts";
import type { BoardNow, Safe } from "../api/types.ts";
import { mayAct } from "../session.ts";
import { words } from "../words.ts";
import { Ask, text, Why } from "./ask.tsx";
import { Outcome } from "./outcome.tsx";

export function MakeSafe({ board }: { board: BoardNow }) {
  const [isAsking, setAsking] = useState(false);
  if (!mayAct.value) return null;
  return (
    <>
      <button type="button" class="safe" onClick={() => setAsking(true)}>
        {words.safe.button}
      </button>
      {isAsking && (
        <Ask
          title={words.safe.title}
          go={words.safe.go}
          waiting={words.safe.waiting}
          onClose={() => setAsking(false)}
          send={async (form) => {
            const safe = await post<Safe>(`make-safe?board=${encodeURIComponent(board.name)}`, { why: text(form, "why") });
            return (
              <>
                <p class={safe.is_all_done ? "good" : "bad"}>{safe.is_all_done ? words.safe.allDone : words.safe.notAll}</p>
                {safe.steps.map((step) => (
                  <Outcome key={step.id} order={step} />
                ))}
              </>
            );
          }}
        >
          <p>{words.safe.does}</p>
          <p class="caution">{words.safe.caution}</p>
          <Why example={words.safe.whyExample} />
        </Ask>
      )}
    </>
  );
}
