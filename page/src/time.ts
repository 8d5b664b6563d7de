// Times and spans as people read them, in the time zone of the browser.

const S = 1000;
const MIN = 60 * S;
const H = 60 * MIN;
const D = 24 * H;

/** How long: `40 s`, `25 min`, `5 h 30 min`, `3 d 4 h`. */
export function span(ms: number): string {
  const t = Math.max(0, ms);
  if (t < 2 * MIN) return `${Math.round(t / S)}\u00a0s`;
  if (t < 2 * H) return `${Math.round(t / MIN)}\u00a0min`;
  const two = (large: number, small: number, a: string, b: string) => {
    const n = Math.floor(t / large);
    const rest = Math.floor((t - n * large) / small);
    return rest === 0 ? `${n}\u00a0${a}` : `${n}\u00a0${a} ${rest}\u00a0${b}`;
  };
  return t < 2 * D ? two(H, MIN, "h", "min") : two(D, H, "d", "h");
}

function two(n: number): string {
  return String(n).padStart(2, "0");
}

/** `2026-03-14`. */
export function day(ms: number): string {
  const t = new Date(ms);
  return `${t.getFullYear()}-${two(t.getMonth() + 1)}-${two(t.getDate())}`;
}

/** `02:14`. */
export function clock(ms: number): string {
  const t = new Date(ms);
  return `${two(t.getHours())}:${two(t.getMinutes())}`;
}

/** `02:14` of today, `2026-03-14 02:14` of another day. */
export function moment(ms: number, nowMs: number): string {
  return day(ms) === day(nowMs) ? clock(ms) : `${day(ms)} ${clock(ms)}`;
}

/** As an input of date and time takes it. */
export function forInput(ms: number): string {
  return `${day(ms)}T${clock(ms)}`;
}

/** For `datetime` attributes. */
export function iso(ms: number): string {
  const t = new Date(ms);
  return Number.isNaN(t.getTime()) ? "" : t.toISOString();
}
