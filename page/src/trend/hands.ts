// Moving and zooming a plot in time: drag, wheel, two fingers, keys. With Shift a drag picks a range.

import { type Range, shifted, zoomedRange } from "./columns.ts";

interface Host {
  /** What is drawn on, without its axes. */
  over: HTMLElement;
  range(): Range;
  now(): number;
  onRange(range: Range): void;
  /** A moment was pointed at. */
  onPin(ms: number): void;
}

/** A press that moves less than this points at a moment, px. */
const STILL_PX = 5;

/** Takes hold of a plot; gives a function that lets go. */
export function hold({ over, range, now, onRange, onPin }: Host): () => void {
  const fingers = new Map<number, number>();
  let moved = 0;
  const msPerPx = () => (range().to - range().from) / Math.max(1, over.clientWidth);
  const msAt = (clientX: number) => range().from + (clientX - over.getBoundingClientRect().left) * msPerPx();

  const down = (event: PointerEvent) => {
    if (event.shiftKey || event.button !== 0) return;
    fingers.set(event.pointerId, event.clientX);
    moved = 0;
    over.setPointerCapture(event.pointerId);
  };
  const move = (event: PointerEvent) => {
    const before = fingers.get(event.pointerId);
    if (before === undefined) return;
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (other !== undefined) {
      const by = Math.max(1, Math.abs(before - other)) / Math.max(1, Math.abs(event.clientX - other));
      onRange(zoomedRange(range(), by, msAt((event.clientX + other) / 2), now()));
      moved = Infinity;
    } else {
      moved += Math.abs(event.clientX - before);
      if (moved >= STILL_PX) onRange(shifted(range(), (before - event.clientX) / Math.max(1, over.clientWidth), now()));
    }
    fingers.set(event.pointerId, event.clientX);
  };
  const up = (event: PointerEvent) => {
    const isTap = fingers.delete(event.pointerId) && fingers.size === 0 && moved < STILL_PX && event.type === "pointerup";
    if (isTap) onPin(Math.round(msAt(event.clientX)));
  };
  const wheel = (event: WheelEvent) => {
    const isSideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    const isIn = over.closest(".canvas")?.contains(document.activeElement) ?? false;
    if (!isSideways && !event.ctrlKey && !event.metaKey && !isIn) return;
    event.preventDefault();
    const unit = event.deltaMode === 0 ? 1 : 30;
    if (isSideways) onRange(shifted(range(), (event.deltaX * unit) / Math.max(1, over.clientWidth), now()));
    else onRange(zoomedRange(range(), Math.exp(event.deltaY * unit * 0.0018), msAt(event.clientX), now()));
  };
  over.addEventListener("pointerdown", down);
  over.addEventListener("pointermove", move);
  over.addEventListener("pointerup", up);
  over.addEventListener("pointercancel", up);
  over.addEventListener("wheel", wheel, { passive: false });
  return () => {
    over.removeEventListener("pointerdown", down);
    over.removeEventListener("pointermove", move);
    over.removeEventListener("pointerup", up);
    over.removeEventListener("pointercancel", up);
    over.removeEventListener("wheel", wheel);
  };
}

/** The range after a key, or nothing where the key means nothing. */
export function keyed(key: string, range: Range, nowMs: number): Range | undefined {
  const middle = (range.from + range.to) / 2;
  switch (key) {
    case "ArrowLeft":
      return shifted(range, -0.1, nowMs);
    case "ArrowRight":
      return shifted(range, 0.1, nowMs);
    case "+":
    case "=":
      return zoomedRange(range, 1 / 1.4, middle, nowMs);
    case "-":
      return zoomedRange(range, 1.4, middle, nowMs);
    case "0":
      return { from: nowMs - (range.to - range.from), to: nowMs };
    default:
      return undefined;
  }
}
