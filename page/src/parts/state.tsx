// What a view shows while what it asked for is on its way, or did not come.

import type { Loaded } from "../load.ts";
import { words } from "../words.ts";

export function Waits<T>({ of, what = words.loading }: { of: Loaded<T>; what?: string }) {
  if (of.problem !== "") {
    return (
      <p class="bad" role="alert">
        {of.problem}{" "}
        <button type="button" class="small" onClick={of.again}>
          {words.retry}
        </button>
      </p>
    );
  }
  return of.value === undefined && of.isLoading ? <p class="pending">{what}</p> : null;
}
