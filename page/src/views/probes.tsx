// Calibration: each probe with what its calibrations say of it; a calibration walked through beside the live reading, judged, sent to the board and taken
// back; metered pumps. All is judged by the station.

import { useEffect, useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { BoardNow, Calibrated, Calibrations, Metered, Order, Probe, Reading } from "../api/types.ts";
import { useLoaded } from "../load.ts";
import { Ask, text, Why } from "../parts/ask.tsx";
import { At } from "../parts/at.tsx";
import { BoardChoice, Stale, theBoard } from "../parts/boards.tsx";
import { Outcome } from "../parts/outcome.tsx";
import { Remarks } from "../parts/remarks.tsx";
import { Waits } from "../parts/state.tsx";
import { isOwner, mayAct } from "../session.ts";
import { day } from "../time.ts";
import { Course } from "../trend/course.tsx";
import { figure, quantity, shownUnit, system } from "../units.ts";
import { named, sentence, words, written } from "../words.ts";
import { Pump } from "./pump.tsx";
import { number } from "./water.tsx";

const w = words.probes;

export function Probes() {
  const board = theBoard();
  const name = board?.name ?? "";
  const at = `boards/${path(name)}`;
  const all = useLoaded(() => (name === "" ? Promise.resolve(undefined) : get<Calibrations>(`${at}/calibrations`)), [name]);
  const [doing, setDoing] = useState<string>();
  if (!board) return <p class="pending">{words.waitingForStation}</p>;
  const probe = all.value?.probes.find((one) => one.name === doing);
  return (
    <>
      <BoardChoice />
      <Stale board={board} />
      <Waits of={all} />
      {probe && (
        <Guide
          key={probe.name}
          probe={probe}
          at={at}
          onEnd={() => {
            setDoing(undefined);
            all.again();
          }}
        />
      )}
      {all.value?.probes.length === 0 && <p class="calm">{w.none}</p>}
      <div class="courses">
        {all.value?.probes.map((one) => (
          <Known key={one.name} probe={one} at={at} onDo={() => setDoing(one.name)} onUndone={all.again} isBusy={doing !== undefined} />
        ))}
      </div>
      {all.value && all.value.pumps.length > 0 && <Pumps board={board} base={at} pumps={all.value.pumps} />}
      {all.value && all.value.calibrations.length > 0 && (
        <section aria-labelledby="made">
          <h2 id="made">{w.history}</h2>
          <ul class="sentences">
            {all.value.calibrations.map((one) => (
              <li key={one.id}>
                <At ms={one.at_ms} />: <b>{named(one.part)}</b>, {one.says}. <span class="note">{words.care.by(one.who)}.</span> {one.note !== "" && written(one.note)}
              </li>
            ))}
          </ul>
        </section>
      )}
    </>
  );
}

interface KnownProps {
  probe: Probe;
  at: string;
  onDo(): void;
  onUndone(): void;
  isBusy: boolean;
}

function Known({ probe, at, onDo, onUndone, isBusy }: KnownProps) {
  const [isAsking, setAsking] = useState(false);
  const newest = probe.made[probe.made.length - 1];
  const isPh = probe.measures === "ph";
  const slopes = probe.made.flatMap((one) => (one.slope_percent === undefined ? [] : [{ at_ms: one.at_ms, value: one.slope_percent }]));
  const off = probe.made.flatMap((one) => (one.found_off === undefined ? [] : [{ at_ms: one.at_ms, value: one.found_off }]));
  const tolerance = probe.holds?.tolerance;
  return (
    <article aria-label={named(probe.name)}>
      <p>
        <b>{named(probe.name)}</b>, {w.measures[probe.measures]}
        {newest ? (
          <>
            : {w.last} <At ms={newest.at_ms} />, {isPh ? w.electrode(newest.slope_percent?.toFixed(1) ?? "?", newest.offset.toFixed(1)) : w.linear(newest.offset.toFixed(3), newest.gain?.toFixed(4) ?? "1")}.
          </>
        ) : (
          `: ${w.never}`
        )}
      </p>
      {probe.not_kept && <p class="note">{sentence(probe.not_kept)}</p>}
      {probe.thermometer && isPh && <p class="note">{w.compensated(named(probe.thermometer))}</p>}
      {probe.holds && <p>{w.holds(probe.holds.days, probe.holds.tolerance, probe.holds.unit, probe.holds.per_week, probe.holds.n, probe.holds.wanted_days)}</p>}
      {probe.out?.expected_ms !== undefined && (
        <p>{w.out(day(probe.out.expected_ms), probe.out.earliest_ms === undefined ? undefined : day(probe.out.earliest_ms), probe.out.latest_ms === undefined ? undefined : day(probe.out.latest_ms))}</p>
      )}
      <Remarks list={probe.remarks} />
      {slopes.length > 1 && (
        <>
          <p class="note">{w.slopes}</p>
          <Course label={w.course(w.slopes, slopes.map((one) => one.value.toFixed(1)))} points={slopes} line={slopes} band={[90, 105]} format={(x) => `${x.toFixed(0)} %`} />
        </>
      )}
      {off.length > 0 && (
        <>
          <p class="note">{w.off(probe.holds?.unit ?? "")}</p>
          <Course
            label={w.course(w.off(probe.holds?.unit ?? ""), off.map((one) => one.value.toFixed(2)))}
            points={off}
            band={tolerance === undefined ? undefined : [-tolerance, tolerance]}
            isBandWhole
            format={(x) => x.toFixed(2).replace("-", "−")}
          />
        </>
      )}
      {mayAct.value && !probe.not_kept && (
        <p class="row no-print">
          <button type="button" class="small" disabled={isBusy} aria-label={w.doOf(probe.name)} onClick={onDo}>
            {w.do}
          </button>
          {newest && (
            <button type="button" class="small" disabled={isBusy} aria-label={w.undoOf(probe.name)} onClick={() => setAsking(true)}>
              {w.undo}
            </button>
          )}
        </p>
      )}
      {isAsking && (
        <Ask
          title={w.undoTitle(named(probe.name))}
          go={w.undoGo}
          waiting={words.safe.waiting}
          onClose={() => {
            setAsking(false);
            onUndone();
          }}
          send={async (form) => <Outcome order={await post<Order>(`${at}/calibrations/${path(probe.name)}/undo`, { why: text(form, "why") })} />}
        >
          <p>{w.undoDoes}</p>
          <Why example={w.undoExample} />
        </Ask>
      )}
    </article>
  );
}

/** A reading that was taken, as the station wants it. */
interface Taken {
  label: string;
  shown: string;
  point: Record<string, string | number>;
}

/** How often the reading is asked for, ms. */
const POLL_MS = 2000;

/** What a probe shows, again and again. `since` is when it came into the reference, by the clock of its readings; the first of them begins it. */
function useReading(at: string, probe: string, since: number | undefined, salinity: string, begin: (ms: number) => void): { reading: Reading | undefined; problem: string } {
  const [reading, setReading] = useState<Reading>();
  const [problem, setProblem] = useState("");
  useEffect(() => {
    let isCurrent = true;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const ask = async () => {
      try {
        const wanted = new URLSearchParams();
        if (since !== undefined) wanted.set("since", String(since));
        if (Number(salinity) > 0) wanted.set("salinity", String(Number(salinity)));
        const told = await get<Reading>(`${at}/calibrations/${path(probe)}/reading?${wanted}`);
        if (isCurrent) {
          setProblem("");
          if (since === undefined && told.at_ms !== undefined) return begin(told.at_ms);
          setReading(told);
        }
      } catch (error) {
        if (isCurrent) setProblem(said(error));
      }
      if (isCurrent) timer = setTimeout(() => void ask(), POLL_MS);
    };
    setReading(undefined);
    void ask();
    return () => {
      isCurrent = false;
      clearTimeout(timer);
    };
  }, [at, probe, since, salinity]);
  return { reading, problem };
}

function Guide({ probe, at, onEnd }: { probe: Probe; at: string; onEnd(): void }) {
  const isPh = probe.measures === "ph";
  const isSalt = probe.measures === "conductivity";
  const most = isPh ? 3 : 2;
  const fewest = isPh ? 2 : 1;
  const [taken, setTaken] = useState<Taken[]>([]);
  const [since, setSince] = useState<number>();
  const [reference, setReference] = useState(isPh ? "7.00" : "");
  const [warmth, setWarmth] = useState("");
  const [salinity, setSalinity] = useState("35");
  const [isBottle, setBottle] = useState(false);
  const [judged, setJudged] = useState<Calibrated>();
  const [problem, setProblem] = useState("");
  const [isBusy, setBusy] = useState(false);
  const { reading, problem: lost } = useReading(at, probe.name, since, isSalt && !isBottle ? number(salinity) : "", setSince);
  const units = system.value;
  const degree = shownUnit("degC", units);
  /** °C of what the reference has, by the thermometer unless a person says otherwise. */
  const celsius = warmth.trim() === "" ? reading?.temperature_c : (Number(number(warmth)) - (degree.offset ?? 0)) / degree.factor;
  const truth = isPh ? undefined : isSalt && !isBottle ? reading?.seawater : typed(reference, probe.own_unit);
  const buffer = reading?.buffers.find((one) => one.label === reference);
  const mayTake =
    reading?.stands === "still" && reading.mean !== undefined && (isPh ? Number.isFinite(celsius) && reference.trim() !== "" : truth !== undefined && Number.isFinite(truth));

  const take = () => {
    if (reading?.mean === undefined) return;
    const shown = isPh ? `${reading.mean.toFixed(1)} mV` : quantity(reading.mean, probe.own_unit, units);
    const point: Taken["point"] = { reading: reading.mean };
    if (isPh) Object.assign(point, { buffer: number(reference), temperature_c: celsius ?? 25, sd: reading.sd ?? 0 });
    else point["truth"] = truth ?? 0;
    const label = isPh ? w.buffer(reference, quantity(celsius ?? 25, "degC", units)) : quantity(truth ?? 0, probe.own_unit, units);
    setTaken([...taken, { label, shown, point }]);
    setJudged(undefined);
    setWarmth("");
    setReference(isPh ? (taken.length === 0 ? "10.01" : "4.01") : "");
    setSince(reading.at_ms);
  };
  const ask = async (why: string, send: boolean): Promise<Calibrated> =>
    post<Calibrated>(`${at}/calibrations/${path(probe.name)}`, { points: taken.map((one) => one.point), send, why });
  const used = taken.map((one) => one.label).join(w.and);
  const judge = async () => {
    setBusy(true);
    setProblem("");
    try {
      setJudged(await ask(used, false));
    } catch (error) {
      setProblem(said(error));
    }
    setBusy(false);
  };
  const send = async (event: SubmitEvent) => {
    event.preventDefault();
    const form = new FormData(event.currentTarget as HTMLFormElement);
    setBusy(true);
    setProblem("");
    try {
      setJudged(await ask(text(form, "why"), true));
    } catch (error) {
      setProblem(said(error));
    }
    setBusy(false);
  };
  return (
    <section aria-labelledby="guide" class="once">
      <h2 id="guide">{w.guide(named(probe.name))}</h2>
      {isPh && <p class="caution">{w.bufferCaution}</p>}
      {taken.length > 0 && (
        <ol class="steps">
          {taken.map((one) => (
            <li key={one.label + one.shown}>
              {one.label}: <b>{one.shown}</b>
            </li>
          ))}
        </ol>
      )}
      {taken.length < most && !judged?.order && (
        <div class="asked">
          <h3>{w.step(taken.length + 1)}</h3>
          <p>{w.how[probe.measures]}</p>
          <div class="entries">
            {isPh && (
              <>
                <label class="field">
                  <span>{w.whichBuffer}</span>
                  <input list="buffers" value={reference} inputMode="decimal" autocomplete="off" onInput={(event) => setReference(event.currentTarget.value)} />
                  <datalist id="buffers">
                    {reading?.buffers.map((one) => (
                      <option key={one.label} value={one.label} />
                    ))}
                  </datalist>
                </label>
                <label class="field">
                  <span>
                    {w.bufferWarmth} <span class="note">{degree.unit}</span>
                  </span>
                  <input
                    value={warmth}
                    inputMode="decimal"
                    autocomplete="off"
                    placeholder={reading?.temperature_c === undefined ? "" : figure(reading.temperature_c, "degC", units)}
                    onInput={(event) => setWarmth(event.currentTarget.value)}
                  />
                </label>
              </>
            )}
            {isSalt && (
              <label class="check">
                <input type="checkbox" checked={isBottle} onChange={() => setBottle(!isBottle)} />
                <span>{w.bottle}</span>
              </label>
            )}
            {isSalt && !isBottle && (
              <label class="field">
                <span>{w.salinity}</span>
                <input value={salinity} inputMode="decimal" autocomplete="off" onInput={(event) => setSalinity(event.currentTarget.value)} />
              </label>
            )}
            {!isPh && (!isSalt || isBottle) && (
              <label class="field">
                <span>
                  {w.truth} <span class="note">{shownUnit(probe.own_unit, units).unit}</span>
                </span>
                <input value={reference} inputMode="decimal" autocomplete="off" onInput={(event) => setReference(event.currentTarget.value)} />
              </label>
            )}
          </div>
          {isPh && buffer?.ph !== undefined && warmth.trim() === "" && <p>{w.bufferNow(buffer.label, buffer.ph.toFixed(2), quantity(reading?.temperature_c ?? 25, "degC", units))}</p>}
          {isSalt && !isBottle && reading?.seawater !== undefined && <p>{w.seawaterNow(number(salinity), quantity(reading.seawater, "mS/cm", units))}</p>}
          <Shows reading={reading} probe={probe} />
          {lost !== "" && (
            <p class="bad" role="alert">
              {lost}
            </p>
          )}
          <button type="button" class="main" disabled={!mayTake} onClick={take}>
            {w.take}
          </button>
        </div>
      )}
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      {judged && (
        <>
          <p class={judged.is_accepted ? "good" : "bad"}>{judged.is_accepted ? w.accepted(judged.says) : w.refused}</p>
          <Remarks list={judged.remarks} />
          {judged.order && <Outcome order={judged.order} />}
          {judged.is_accepted && !judged.order && (
            <form onSubmit={send}>
              <label class="field">
                <span>{w.why}</span>
                <input name="why" required maxLength={500} defaultValue={used} autocomplete="off" />
              </label>
              <button type="submit" class="main" disabled={isBusy}>
                {w.send}
              </button>
            </form>
          )}
        </>
      )}
      <p class="row">
        {taken.length >= fewest && !judged && (
          <button type="button" class="main" disabled={isBusy} onClick={() => void judge()}>
            {w.judge(taken.length)}
          </button>
        )}
        {taken.length > 0 && !judged?.order && (
          <button
            type="button"
            disabled={isBusy}
            onClick={() => {
              setTaken([]);
              setJudged(undefined);
              setReference(isPh ? "7.00" : "");
              setSince(undefined);
            }}
          >
            {w.again}
          </button>
        )}
        <button type="button" disabled={isBusy} onClick={onEnd}>
          {judged?.order ? words.close : words.cancel}
        </button>
      </p>
    </section>
  );
}

/** A number in the page's unit as the station's; nothing where none was typed. */
function typed(given: string, unit: string): number | undefined {
  const plain = number(given);
  const value = Number(plain);
  const { factor, offset } = shownUnit(unit, system.value);
  return plain === "" || !Number.isFinite(value) ? undefined : (value - (offset ?? 0)) / factor;
}

const SIGN: Record<Reading["stands"], string> = { none: "✕", "too-short": "…", settling: "…", noisy: "△", still: "✓" };

function Shows({ reading, probe }: { reading: Reading | undefined; probe: Probe }) {
  if (!reading) return <p class="pending">{words.loading}</p>;
  const units = system.value;
  const own = (value: number) => (probe.own_unit === "mV" ? `${value.toFixed(1)}\u00a0mV` : quantity(value, probe.own_unit, units));
  const points = reading.readings.map(([at_ms, value]) => ({ at_ms, value }));
  return (
    <>
      <p aria-live="polite">
        <span class="sign" aria-hidden="true">
          {SIGN[reading.stands]}
        </span>{" "}
        {reading.own !== undefined && <b>{own(reading.own).replace("-", "−")}</b>}{" "}
        {probe.measures === "ph" && reading.shown !== undefined && <span class="note">{w.shown(reading.shown.toFixed(2))}</span>} {sentence(reading.words)}
      </p>
      {points.length > 1 && (
        <Course
          label={w.readings(points.length)}
          points={points.slice(-1)}
          line={points}
          isSeconds
          format={(value) => (probe.own_unit === "mV" ? value.toFixed(1) : figure(value, probe.own_unit, units)).replace("-", "−")}
        />
      )}
    </>
  );
}

function Pumps({ board, base, pumps }: { board: BoardNow; base: string; pumps: Metered[] }) {
  const [isAsking, setAsking] = useState(false);
  const [order, setOrder] = useState<Order>();
  return (
    <section aria-labelledby="pumps">
      <h2 id="pumps">{w.pumps}</h2>
      <ul class="sentences">
        {pumps.map((pump) => (
          <li key={pump.name}>{w.pumpOf(named(pump.name), quantity(pump.flow_ml_min, "mL/min", system.value))}</li>
        ))}
      </ul>
      <p class="note">{w.pumpHow}</p>
      {isOwner.value && (
        <button type="button" class="small no-print" onClick={() => setAsking(true)}>
          {words.pump.button}
        </button>
      )}
      <div aria-live="polite">{order && <Outcome order={order} />}</div>
      {isAsking && <Pump board={board} base={base} onClose={() => setAsking(false)} onSent={setOrder} />}
    </section>
  );
}
