// Moving and zooming a sheet with wheel, fingers, mouse and keys.

import { useEffect, useRef, useState } from "preact/hooks";
import type { XY } from "../api/types.ts";
import { type Box, middle, moved, zoomed } from "./view.ts";

const STEP = 1.4;

export function useWindow(most: Box) {
  const frame = useRef<HTMLDivElement>(null);
  const [seen, setSeen] = useState({ most, box: most });
  // Another sheet, or another part of it, is seen whole at once.
  const box = seen.most === most ? seen.box : most;
  const setBox = (change: (old: Box) => Box) => setSeen((old) => ({ most, box: change(old.most === most ? old.box : most) }));
  const [width, setWidth] = useState(600);
  /** The press that ends was a movement. */
  const hasMoved = useRef(false);
  const fingers = useRef(new Map<number, XY>());
  useEffect(() => {
    const element = frame.current;
    if (!element) return;
    const watch = new ResizeObserver(([entry]) => entry && setWidth(entry.contentRect.width || 600));
    watch.observe(element);
    return () => watch.disconnect();
  }, []);
  const isClose = box[2] < most[2] - 0.01;
  const mmPerPx = box[2] / width;
  const at = (event: { clientX: number; clientY: number }): XY => {
    const rect = frame.current?.getBoundingClientRect();
    return rect ? [box[0] + (event.clientX - rect.left) * mmPerPx, box[1] + (event.clientY - rect.top) * mmPerPx] : middle(box);
  };
  const zoom = (by: number, about?: XY) => setBox((old) => zoomed(old, by, about ?? middle(old), most));
  const fit = () => setBox(() => most);

  useEffect(() => {
    const element = frame.current;
    if (!element) return;
    // A listener that may prevent scrolling has to be added by hand. Without Ctrl the wheel zooms only what a person has gone into: else it
    // would catch whoever scrolls past.
    const onWheel = (event: WheelEvent) => {
      if (!event.ctrlKey && !event.metaKey && !element.contains(document.activeElement)) return;
      event.preventDefault();
      zoom(Math.exp(-event.deltaY * (event.deltaMode === 0 ? 0.0018 : 0.06)), at(event));
    };
    element.addEventListener("wheel", onWheel, { passive: false });
    return () => element.removeEventListener("wheel", onWheel);
  });

  const onPointerMove = (event: PointerEvent) => {
    const before = fingers.current.get(event.pointerId);
    if (!before) return;
    const now: XY = [event.clientX, event.clientY];
    const other = [...fingers.current].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const apart = (a: XY) => Math.hypot(a[0] - other[0], a[1] - other[1]);
      zoom(apart(now) / Math.max(apart(before), 1), at({ clientX: (now[0] + other[0]) / 2, clientY: (now[1] + other[1]) / 2 }));
      hasMoved.current = true;
    } else if (isClose) {
      hasMoved.current ||= Math.hypot(before[0] - now[0], before[1] - now[1]) > 1;
      setBox((old) => moved(old, (before[0] - now[0]) * mmPerPx, (before[1] - now[1]) * mmPerPx, most));
    }
    fingers.current.set(event.pointerId, now);
  };
  const onLeave = (event: PointerEvent) => void fingers.current.delete(event.pointerId);
  const onKeyDown = (event: KeyboardEvent) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    const step = box[2] / 8;
    const pan: Record<string, XY> = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    const by = pan[event.key];
    if (event.key === "+" || event.key === "=") zoom(STEP);
    else if (event.key === "-") zoom(1 / STEP);
    else if (event.key === "0") fit();
    else if (by && isClose) setBox((old) => moved(old, by[0], by[1], most));
    else return;
    event.preventDefault();
  };
  const hands = {
    onKeyDown,
    onPointerDown(event: PointerEvent) {
      if (fingers.current.size === 0) hasMoved.current = false;
      fingers.current.set(event.pointerId, [event.clientX, event.clientY]);
      if (isClose || fingers.current.size > 1) frame.current?.setPointerCapture(event.pointerId);
    },
    onPointerMove,
    onPointerUp: onLeave,
    onPointerCancel: onLeave,
    onPointerLeave: onLeave,
  };
  return { frame, box, mmPerPx, isClose, at, zoom, fit, hands, hasMoved, step: STEP };
}
