// Which series are shown.

import { useState } from "preact/hooks";
import type { Series } from "../api/types.ts";
import { named, words } from "../words.ts";

const w = words.trends;

/** More lines than this cannot be told apart by their dashes. */
export const MOST = 5;

export function Pick({ all, picked, onPick }: { all: Series[]; picked: number[]; onPick(ids: number[]): void }) {
  const [find, setFind] = useState("");
  const boards = [...new Set(all.map((series) => series.board))];
  const fits = (series: Series) => named(series.name).toLowerCase().includes(find.trim().toLowerCase());
  const isFull = picked.length >= MOST;
  return (
    <details class="pick no-print">
      <summary>
        {w.pick} <span class="note">({picked.length})</span>
      </summary>
      <label class="field">
        <span>{w.find}</span>
        <input type="search" value={find} onInput={(event) => setFind(event.currentTarget.value)} />
      </label>
      {isFull && <p class="note">{w.atMost(MOST)}</p>}
      {boards.map((board) => (
        <fieldset key={board}>
          <legend>{board}</legend>
          <div class="choices">
            {all
              .filter((series) => series.board === board && fits(series))
              .map((series) => (
                <label class="check" key={series.id}>
                  <input
                    type="checkbox"
                    checked={picked.includes(series.id)}
                    disabled={isFull && !picked.includes(series.id)}
                    onChange={(event) =>
                      onPick(event.currentTarget.checked ? [...picked, series.id] : picked.filter((id) => id !== series.id))
                    }
                  />
                  {named(series.name)}
                </label>
              ))}
          </div>
        </fieldset>
      ))}
    </details>
  );
}
