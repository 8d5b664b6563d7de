// The section on the page: the sheet that the station laid out, as SVG, with what is measured now in place of the file's remarks.

import type { ComponentChildren } from "preact";
import { flushSync } from "preact/compat";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import type { Sheet, SheetLabel, XY } from "../api/types.ts";
import { printOnly } from "../parts/print.ts";
import { words } from "../words.ts";
import { Balloons, Flows, Hatchings, Label, line, mm, Part, Qualities } from "./drawn.tsx";
import { type Balloon, bound, drawing, flows, type Known, tags, type Values, whole } from "./view.ts";
import { useWindow } from "./window.ts";

/** Contacts are told by the list below the drawing; figures stand beside their probes. */
const isFigure = (known: Known) => known.text !== words.bits.on && known.text !== words.bits.off;

/** Narrower than this the drawing alone is shown first, in px. */
const NARROW = 700;
/** Height of a figure beside its probe on the screen, in px. */
const TAG_PX = 11;
/** Of the smallest figure on paper, mm. */
const TAG_MM = 2.2;

/** What a layer above the drawing needs to know of it. */
export interface Over {
  mmPerPx: number;
  /** Place on the paper of a place on the screen. */
  at(event: { clientX: number; clientY: number }): XY;
}

interface Props {
  sheet: Sheet;
  values: Values;
  balloons?: Balloon[];
  /** Drawn above everything, in mm of paper. */
  over?: (over: Over) => ComponentChildren;
  /** A part was pointed at. */
  onPart?: (id: string) => void;
  /** First without texts and title block, whatever the room. */
  isBare?: boolean;
  /** Further buttons beside those of the size. */
  children?: ComponentChildren;
}

export function SheetView({ sheet, values, balloons = [], over, onPart, isBare = false, children }: Props) {
  const [isWhole, setWhole] = useState(() => innerWidth >= NARROW && !isBare);
  const most = useMemo(() => (isWhole ? whole(sheet) : drawing(sheet)), [sheet, isWhole]);
  const { frame, box, mmPerPx, isClose, at, zoom, fit, hands, hasMoved, step } = useWindow(most);
  const fitted = useRef(fit);
  fitted.current = fit;
  useEffect(() => {
    // On paper the whole sheet, whatever part of it is on the screen.
    let was = isWhole;
    const before = () => {
      was = isWhole;
      flushSync(() => setWhole(true));
      flushSync(() => fitted.current());
    };
    const after = () => setWhole(was);
    addEventListener("beforeprint", before);
    addEventListener("afterprint", after);
    return () => {
      removeEventListener("beforeprint", before);
      removeEventListener("afterprint", after);
    };
  }, [isWhole]);

  const parts = useMemo(() => new Map(sheet.parts.map((part) => [part.id, part])), [sheet]);
  const ofLabel = (label: SheetLabel) => {
    const part = parts.get(label.part);
    if (!part || !["name", "sensor", "actuator", "passage"].includes(label.key)) return undefined;
    return bound(part, "flow", values) ?? bound(part, "running", values) ?? bound(part, "reading", values);
  };
  // Lines at levels of the file give way to the water where it is known.
  const known = sheet.parts.flatMap((part) => part.bindings).filter(({ property, value }) => property === "top" && values.get(value)?.value !== undefined);
  const live = known.map(({ value }) => value.replace(/\.level$/, "")).join();
  const drawn = useMemo(() => {
    const vessels = new Set(live.split(","));
    const isOld = (id: string) => vessels.has(/^water\.(.*)\.\d+$/.exec(id)?.[1] ?? "");
    return sheet.parts.filter((part) => part.layer !== "frame" && (isWhole || part.layer !== "dimension") && !(part.layer === "level" && isOld(part.id)));
  }, [sheet, isWhole, live]);
  const framed = useMemo(() => (isWhole ? sheet.parts.filter((part) => part.layer === "frame") : []), [sheet, isWhole]);
  const moving = useMemo(() => flows(drawn, values), [drawn, values]);
  // What is on the paper does not change with the window through which it is seen.
  const paper = useMemo(
    () => (
      <>
        <Hatchings />
        {drawn.map((part) => (
          <Part key={part.id} part={part} values={values} />
        ))}
        {isWhole &&
          sheet.labels
            .filter((label) => label.leader.length > 1)
            .map((label) => <path class="leader" d={line(label.leader, false)} />)}
        {framed.map((part) => (
          <Part key={part.id} part={part} values={values} />
        ))}
        {isWhole && (
          <g aria-hidden="true">
            {sheet.labels.map((label) => (
              <Label label={label} now={ofLabel(label)} />
            ))}
          </g>
        )}
      </>
    ),
    [drawn, framed, isWhole, values],
  );
  const size = Math.max(TAG_PX * mmPerPx, isWhole && !isClose ? TAG_MM : 0);
  const view = box.map(mm).join(" ");
  return (
    <figure class="section">
      <div
        ref={frame}
        class={`sheet-frame${isClose ? " close" : ""}`}
        style={{ aspectRatio: `${most[2]} / ${most[3]}`, maxWidth: `calc(84vh * ${(most[2] / most[3]).toFixed(3)})` }}
        tabIndex={0}
        role="group"
        aria-label={`${sheet.title}. ${words.section.hint}`}
        {...hands}
        onClick={(event) => {
          const id = (event.target as Element).closest("[data-part]")?.getAttribute("data-part");
          if (id && !hasMoved.current) onPart?.(id);
        }}
      >
        <svg class="sheet" viewBox={view} role="img" aria-label={sheet.title}>
          {paper}
        </svg>
        <svg class="sheet above" viewBox={view} aria-hidden={over ? undefined : "true"}>
          <g aria-hidden="true">
            <Flows list={moving} />
            <Qualities parts={drawn} values={values} size={size} />
            {!isWhole &&
              tags(drawn, values, size, isFigure).map((tag) => (
                <text key={tag.id} class={`tag${tag.isDoubtful ? " doubtful" : ""}`} font-size={mm(size)} x={mm(tag.at[0])} y={mm(tag.at[1])}>
                  {tag.text}
                </text>
              ))}
            <Balloons list={balloons} size={size} />
          </g>
          {over?.({ mmPerPx, at })}
        </svg>
      </div>
      <figcaption>
        <div class="row" role="group" aria-label={words.section.controls}>
          <button type="button" class="small" onClick={() => zoom(step)}>
            + {words.section.closer}
          </button>
          <button type="button" class="small" onClick={() => zoom(1 / step)} disabled={!isClose}>
            − {words.section.wider}
          </button>
          <button type="button" class="small" onClick={fit} disabled={!isClose}>
            {words.section.fit}
          </button>
          <button type="button" class="small" onClick={() => setWhole(!isWhole)}>
            {isWhole ? words.section.drawing : words.section.whole}
          </button>
          <button type="button" class="small" onClick={() => frame.current?.parentElement && printOnly(frame.current.parentElement)}>
            {words.section.print}
          </button>
          {children}
        </div>
        <details>
          <summary>{words.section.inWords}</summary>
          <p class="description">{sheet.description}</p>
        </details>
      </figcaption>
    </figure>
  );
}
