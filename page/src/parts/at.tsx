// A moment, exact to programs, short to people.

import { stationNow } from "../live.ts";
import { iso, moment } from "../time.ts";

export function At({ ms }: { ms: number }) {
  return <time dateTime={iso(ms)}>{moment(ms, stationNow.value)}</time>;
}
