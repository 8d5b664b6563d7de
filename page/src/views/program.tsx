// The program that a board runs, rule by rule as the file writes it, with what each takes.

import { get, path } from "../api/client.ts";
import type { Program as Body } from "../api/design.ts";
import { useLoaded } from "../load.ts";
import { BoardChoice, theBoard } from "../parts/boards.tsx";
import { Waits } from "../parts/state.tsx";
import { named, words } from "../words.ts";

const w = words.program;

export function Program() {
  const board = theBoard()?.name;
  const program = useLoaded(async () => (board === undefined ? undefined : get<Body>(`boards/${path(board)}/program`)), [board]);
  const found = program.value;
  return (
    <>
      <BoardChoice />
      <Waits of={program} />
      {found && (
        <section aria-labelledby="rules">
          <h2 id="rules">{w.rules}</h2>
          <p>
            {w.bytes(found.bytes, found.capacity)} {w.slots(found.slots.inputs, found.slots.outputs, found.slots.operations, found.slots.numbers, found.slots.bits)}
          </p>
          <ul class="sentences rules">
            {found.rules.map((rule) => (
              <li key={rule.id}>
                <p>
                  <b>{named(rule.id)}</b> {rule.bytes !== null && rule.bytes !== undefined && <small class="note">{w.ofBytes(rule.bytes)}</small>}
                </p>
                <pre>{rule.text}</pre>
              </li>
            ))}
          </ul>
          <details>
            <summary>{w.listing}</summary>
            <div class="scroll" tabIndex={0} role="group" aria-label={w.listing}>
              <pre>{found.listing}</pre>
            </div>
          </details>
        </section>
      )}
    </>
  );
}
