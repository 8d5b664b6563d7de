// The water: tests written down, how each quantity stands and what of it is used up, what to dose, limewater, water changes. All of it is reckoned by the
// station; the page shows, and asks.

import { useState } from "preact/hooks";
import { get, path, post, remove, said } from "../api/client.ts";
import type { DosePlan, LimePlan, Quantity, Water as WaterBody, WaterChange } from "../api/types.ts";
import { stationNow } from "../live.ts";
import { type Loaded, useLoaded } from "../load.ts";
import { text } from "../parts/ask.tsx";
import { At } from "../parts/at.tsx";
import { BoardChoice, theBoard } from "../parts/boards.tsx";
import { Remarks } from "../parts/remarks.tsx";
import { Waits } from "../parts/state.tsx";
import { mayAct } from "../session.ts";
import { day, forInput } from "../time.ts";
import { Course } from "../trend/course.tsx";
import { quantity as withUnit, shownUnit, system } from "../units.ts";
import { ended, named, sentence, words, written } from "../words.ts";

const w = words.water;

/** Decimals with a comma are read too; no person means thousands here. */
export function number(typed: string): string {
  return typed.trim().replace(",", ".");
}

export function Water() {
  const board = theBoard();
  const name = board?.name ?? "";
  const at = `boards/${path(name)}/water`;
  const water = useLoaded(() => (name === "" ? Promise.resolve(undefined) : get<WaterBody>(at)), [name]);
  if (!board) return <p class="pending">{words.waitingForStation}</p>;
  return (
    <>
      <BoardChoice />
      <Waits of={water} />
      {water.value && (
        <>
          {mayAct.value && <Tests key={name} at={at} water={water.value} onWritten={water.again} />}
          <Stands water={water.value} />
          <div class="columns">
            <Dose at={at} water={water.value} onWritten={water.again} />
            <Lime at={at} />
          </div>
          <Change at={at} water={water.value} onWritten={water.again} />
          <Lines at={at} water={water as Loaded<WaterBody>} />
        </>
      )}
    </>
  );
}

interface PartProps {
  at: string;
  water: WaterBody;
  onWritten(): void;
}

/** What became of something that was sent. */
function useSent() {
  const [result, setResult] = useState<{ text: string; isGood: boolean }>();
  const [isBusy, setBusy] = useState(false);
  const send = async (act: () => Promise<string | undefined>) => {
    setBusy(true);
    try {
      const told = await act();
      setResult(told === undefined ? undefined : { text: told, isGood: true });
    } catch (error) {
      setResult({ text: said(error), isGood: false });
    }
    setBusy(false);
  };
  const shown = <div aria-live="polite">{result && <p class={result.isGood ? "good" : "bad"}>{ended(result.text)}</p>}</div>;
  return { send, isBusy, shown };
}

/** Units in which a test may be read off. The station turns them into its own. */
const UNITS: Record<string, string[]> = { alkalinity: ["dKH", "meq/L"] };

function Tests({ at, water, onWritten }: PartProps) {
  const { send, isBusy, shown } = useSent();
  const submit = (event: SubmitEvent) => {
    event.preventDefault();
    const form = event.currentTarget as HTMLFormElement;
    const given = new FormData(form);
    const tests = water.quantities.flatMap(({ name }) => {
      const value = number(text(given, name));
      const unit = text(given, `${name}-unit`);
      return value === "" ? [] : [{ quantity: name, value: unit === "" ? value : `${value} ${unit}` }];
    });
    const when = text(given, "at");
    void send(async () => {
      if (tests.length === 0) throw w.nothing;
      const { words: told } = await post<{ words: string }>(`${at}/tests`, {
        tests,
        note: text(given, "note"),
        ...(when === "" ? {} : { at_ms: new Date(when).getTime() }),
      });
      form.reset();
      onWritten();
      return told;
    });
  };
  return (
    <section aria-labelledby="tests" class="no-print">
      <h2 id="tests">{w.write}</h2>
      <form onSubmit={submit}>
        <div class="entries">
          {water.quantities.map((one) => {
            const last = one.tests[one.tests.length - 1];
            const units = UNITS[one.name];
            return (
              <label key={one.name} class="field">
                <span>
                  {named(one.name)}
                  {!units && <span class="note"> {one.unit}</span>}
                </span>
                <span class="pair">
                  <input name={one.name} inputMode="decimal" autocomplete="off" maxLength={12} placeholder={last ? last.value.toFixed(one.decimals) : ""} />
                  {units && (
                    <select name={`${one.name}-unit`} aria-label={w.unitOf(one.name)}>
                      {units.map((unit) => (
                        <option key={unit}>{unit}</option>
                      ))}
                    </select>
                  )}
                </span>
              </label>
            );
          })}
        </div>
        <details>
          <summary>{w.more}</summary>
          <div class="row">
            <label class="field">
              <span>{w.when}</span>
              <input type="datetime-local" name="at" max={forInput(stationNow.peek())} />
            </label>
            <label class="field grow">
              <span>{words.care.note}</span>
              <input name="note" maxLength={500} placeholder={w.noteExample} autocomplete="off" />
            </label>
          </div>
        </details>
        <button type="submit" class="main" disabled={isBusy}>
          {w.save}
        </button>
        {shown}
      </form>
    </section>
  );
}

const SIGN = { "far-below": "▼", below: "▽", within: "○", above: "△", "far-above": "▲" } as const;

function figure(value: number, { decimals }: { decimals: number }): string {
  return value.toFixed(decimals).replace("-", "−");
}

function Stands({ water }: { water: WaterBody }) {
  const tested = water.quantities.filter(({ tests }) => tests.length > 0);
  return (
    <section aria-labelledby="stands">
      <h2 id="stands">{w.stands}</h2>
      {tested.length === 0 && <p class="calm">{w.none}</p>}
      <div class="courses">
        {tested.map((one) => (
          <Stand key={one.name} one={one} changes={water.changes_ms} />
        ))}
      </div>
      <Remarks list={water.ions.remarks} />
      {water.ions.salinity_rise_year !== undefined && <p>{w.creeps(water.ions.salinity_rise_year.toFixed(1))}</p>}
      {tested.length > 0 && <p class="note">{w.legend}</p>}
      {tested.length > 0 && <Table tested={tested} />}
    </section>
  );
}

/** Tests by the time at which they were made, the newest first. */
function Table({ tested }: { tested: Quantity[] }) {
  const times = [...new Set(tested.flatMap(({ tests }) => tests.map((test) => test.at_ms)))].sort((a, b) => b - a);
  return (
    <details>
      <summary>{words.trends.table}</summary>
      <div class="scroll" tabIndex={0} role="region" aria-label={w.tests}>
        <table>
          <thead>
            <tr>
              <th scope="col">{words.trends.time}</th>
              {tested.map((one) => (
                <th key={one.name} scope="col">
                  {named(one.name)} <span class="note">{one.unit}</span>
                </th>
              ))}
            </tr>
          </thead>
          <tbody>
            {times.map((at_ms) => (
              <tr key={at_ms}>
                <th scope="row">
                  <At ms={at_ms} />
                </th>
                {tested.map((one) => {
                  const test = one.tests.find((other) => other.at_ms === at_ms);
                  return (
                    <td key={one.name} class="number">
                      {test ? figure(test.value, one) : ""}
                    </td>
                  );
                })}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </details>
  );
}

function Stand({ one, changes }: { one: Quantity; changes: number[] }) {
  const newest = one.tests[one.tests.length - 1];
  if (!newest) return null;
  const used = one.used;
  const value = (x: number) => `${figure(x, one)}\u00a0${one.unit}`;
  const place = one.standing ?? "within";
  return (
    <article aria-label={named(one.name)}>
      <p>
        <span class={`sign ${place.startsWith("far") ? "overdue" : ""}`} aria-hidden="true">
          {SIGN[place]}
        </span>{" "}
        <b>
          {named(one.name)} {value(newest.value)}
        </b>
        , {w.places[place]} ({w.aim(figure(one.target[0], one), value(one.target[1]))}), <At ms={newest.at_ms} />
      </p>
      {used?.per_day !== undefined && (
        <p>{w.used(used.per_day.toFixed(one.decimals + 1).replace("-", "−"), used.half95?.toFixed(one.decimals + 1), one.unit, used.n_tests)}</p>
      )}
      {one.reckoned && (
        <p class={one.reckoned.is_apart ? "bad" : "note"}>
          {w.reckoned(value(one.reckoned.value), figure(one.reckoned.half95, one), one.reckoned.is_apart)}{" "}
          {one.remarks.map(({ help }) => help !== undefined && sentence(help))}
        </p>
      )}
      <Remarks list={used?.remarks ?? []} />
      <Course
        label={w.course(named(one.name), one.tests.length, value(Math.min(...one.tests.map((t) => t.value))), value(Math.max(...one.tests.map((t) => t.value))))}
        points={one.tests}
        line={one.fitted}
        band={one.target}
        marks={changes}
        format={(x) => figure(x, one)}
      />
    </article>
  );
}

function Steps({ steps }: { steps: string[] }) {
  return (
    <ol class="steps">
      {steps.map((step) => (
        <li key={step}>{step}</li>
      ))}
    </ol>
  );
}

/** A query of what was filled in. */
function query(form: FormData, names: string[], more: Record<string, string | undefined> = {}): string {
  const ask = new URLSearchParams();
  for (const name of names) {
    const value = number(text(form, name));
    if (value !== "") ask.set(name, value);
  }
  for (const [name, value] of Object.entries(more)) if (value !== undefined && value !== "") ask.set(name, value);
  ask.set("units", system.value);
  return ask.toString();
}

/** What was typed in the page's unit, in that of the station. */
function back(typed: string, unit: string): string | undefined {
  const value = Number(number(typed));
  if (typed.trim() === "" || !Number.isFinite(value)) return typed.trim() === "" ? undefined : typed;
  const { factor, offset } = shownUnit(unit, system.value);
  return String((value - (offset ?? 0)) / factor);
}

function Dose({ at, water, onWritten }: PartProps) {
  const { send, isBusy, shown } = useSent();
  const dosed = water.quantities.filter(({ salts }) => salts.length > 0);
  const [name, setName] = useState(dosed[0]?.name ?? "");
  const [plan, setPlan] = useState<DosePlan>();
  const one = dosed.find((other) => other.name === name);
  if (!one) return null;
  const submit = (event: SubmitEvent) => {
    event.preventDefault();
    const given = new FormData(event.currentTarget as HTMLFormElement);
    const ask = query(given, ["target", "limit", "stock"], { quantity: name, salt: text(given, "salt") });
    setPlan(undefined);
    void send(async () => {
      setPlan(await get<DosePlan>(`${at}/dose?${ask}`));
      return undefined;
    });
  };
  const middle = (one.target[0] + one.target[1]) / 2;
  return (
    <section aria-labelledby="dose">
      <h2 id="dose">{w.dose}</h2>
      <form onSubmit={submit} class="no-print">
        <div class="entries">
          <label class="field">
            <span>{w.of}</span>
            <select
              value={name}
              onChange={(event) => {
                setName(event.currentTarget.value);
                setPlan(undefined);
              }}
            >
              {dosed.map((other) => (
                <option key={other.name} value={other.name}>
                  {named(other.name)}
                </option>
              ))}
            </select>
          </label>
          <label class="field">
            <span>
              {w.target} <span class="note">{one.unit}</span>
            </span>
            <input key={name} name="target" required inputMode="decimal" autocomplete="off" defaultValue={middle.toFixed(one.decimals === 2 ? 1 : one.decimals)} />
          </label>
          <label class="field wide">
            <span>{w.with}</span>
            <select key={name} name="salt">
              {one.salts.map((salt) => (
                <option key={salt} value={salt}>
                  {salt}
                </option>
              ))}
            </select>
          </label>
        </div>
        <details>
          <summary>{w.more}</summary>
          <div class="entries">
            <label class="field">
              <span>
                {w.limit} <span class="note">{one.unit}</span>
              </span>
              <input name="limit" inputMode="decimal" autocomplete="off" placeholder={String(one.daily_limit ?? "")} />
            </label>
            <label class="field">
              <span>{w.stock}</span>
              <input name="stock" inputMode="decimal" autocomplete="off" />
            </label>
          </div>
        </details>
        <button type="submit" class="main" disabled={isBusy}>
          {w.reckon}
        </button>
      </form>
      {plan && (
        <>
          <p class="note">
            {w.from(`${plan.now.value.toFixed(one.decimals)} ${one.unit}`, plan.now.by, `${plan.used.value.toFixed(one.decimals + 1)} ${one.unit}`, plan.used.by)}
          </p>
          <Steps steps={plan.steps} />
          <Remarks list={plan.remarks} />
          <p class="note">{w.never}</p>
          {mayAct.value && plan.g_per_day > 0 && (
            <button
              type="button"
              class="small no-print"
              disabled={isBusy}
              onClick={() =>
                void send(async () => {
                  const { words: told } = await post<{ words: string }>(at, plan.log);
                  onWritten();
                  return told;
                })
              }
            >
              {w.gave(plan.log.value)}
            </button>
          )}
        </>
      )}
      {shown}
    </section>
  );
}

function Lime({ at }: { at: string }) {
  const { send, isBusy, shown } = useSent();
  const [plan, setPlan] = useState<LimePlan>();
  const litre = shownUnit("L", system.value);
  const submit = (event: SubmitEvent) => {
    event.preventDefault();
    const given = new FormData(event.currentTarget as HTMLFormElement);
    const strength = Number(number(text(given, "strength")));
    const ask = query(given, [], { evaporation: back(text(given, "evaporation"), "L"), saturation: String(strength / 100) });
    void send(async () => {
      setPlan(await get<LimePlan>(`${at}/lime?${ask}`));
      return undefined;
    });
  };
  return (
    <section aria-labelledby="lime">
      <h2 id="lime">{w.lime}</h2>
      <p class="caution">{w.limeCaution}</p>
      <form onSubmit={submit} class="no-print">
        <div class="entries">
          <label class="field">
            <span>
              {w.evaporates} <span class="note">{litre.unit}</span>
            </span>
            <input name="evaporation" inputMode="decimal" autocomplete="off" placeholder={w.byFile} />
          </label>
          <label class="field">
            <span>{w.strength}</span>
            <input name="strength" inputMode="decimal" autocomplete="off" defaultValue="100" required />
          </label>
        </div>
        <button type="submit" class="main" disabled={isBusy}>
          {w.reckon}
        </button>
      </form>
      {plan && (
        <>
          <p class="note">{w.evaporation(withUnit(plan.evaporation.value, "L", system.value), withUnit(plan.evaporation_half95, "L", system.value), plan.evaporation.by)}</p>
          <Steps steps={plan.steps} />
          <Remarks list={plan.remarks} />
        </>
      )}
      {shown}
    </section>
  );
}

function Change({ at, water, onWritten }: PartProps) {
  const { send, isBusy, shown } = useSent();
  const [plan, setPlan] = useState<WaterChange>();
  const units = system.value;
  const submit = (event: SubmitEvent) => {
    event.preventDefault();
    const given = new FormData(event.currentTarget as HTMLFormElement);
    const ask = query(given, ["salinity", "measured"], {
      litres: back(text(given, "volume"), "L"),
      temperature: back(text(given, "temperature"), "degC"),
      ...(given.get("steadily") ? { steadily: "true" } : {}),
    });
    void send(async () => {
      setPlan(await get<WaterChange>(`${at}/change?${ask}`));
      return undefined;
    });
  };
  return (
    <section aria-labelledby="change">
      <h2 id="change">{w.change}</h2>
      <p class="note">{w.tank(`${Math.round(water.tank.volume_l * shownUnit("L", units).factor)}\u00a0${shownUnit("L", units).unit}`)}</p>
      <form onSubmit={submit} class="no-print">
        <div class="entries">
          <label class="field">
            <span>
              {w.volume} <span class="note">{shownUnit("L", units).unit}</span>
            </span>
            <input name="volume" required inputMode="decimal" autocomplete="off" />
          </label>
          <label class="field">
            <span>{w.salinity}</span>
            <input name="salinity" inputMode="decimal" autocomplete="off" placeholder={water.tank.salinity.toFixed(1)} />
          </label>
          <label class="field">
            <span>
              {w.temperature} <span class="note">{shownUnit("degC", units).unit}</span>
            </span>
            <input name="temperature" inputMode="decimal" autocomplete="off" />
          </label>
          <label class="field">
            <span>{w.measured}</span>
            <input name="measured" inputMode="decimal" autocomplete="off" />
          </label>
        </div>
        <label class="check">
          <input type="checkbox" name="steadily" />
          <span>{w.steadily}</span>
        </label>
        <button type="submit" class="main" disabled={isBusy}>
          {w.reckon}
        </button>
      </form>
      {plan && (
        <>
          <Steps steps={plan.steps} />
          <div class="scroll" tabIndex={0} role="region" aria-label={w.after}>
            <table>
              <thead>
                <tr>
                  <th scope="col">{w.quantity}</th>
                  <th scope="col">{w.before}</th>
                  <th scope="col">{w.newWater}</th>
                  <th scope="col">{w.after}</th>
                </tr>
              </thead>
              <tbody>
                {plan.values.map((one) => (
                  <tr key={one.quantity}>
                    <th scope="row">
                      {named(one.quantity)} <span class="note">{one.unit}</span>
                    </th>
                    <td class="number">{figure(one.before, one)}</td>
                    <td class="number">{figure(one.new, one)}</td>
                    <td class="number">{figure(one.after, one)}</td>
                  </tr>
                ))}
              </tbody>
            </table>
          </div>
          <p class="note">{w.asTheSea}</p>
          {mayAct.value && (
            <button
              type="button"
              class="small no-print"
              disabled={isBusy}
              onClick={() =>
                void send(async () => {
                  const { words: told } = await post<{ words: string }>(at, { what: "water change" });
                  onWritten();
                  return told;
                })
              }
            >
              {w.changed}
            </button>
          )}
        </>
      )}
      {shown}
    </section>
  );
}

/** Lines that are shown at first. */
const SHOWN = 15;

function Lines({ at, water }: { at: string; water: Loaded<WaterBody> }) {
  const { send, isBusy, shown } = useSent();
  const [n, setN] = useState(SHOWN);
  const lines = water.value?.lines ?? [];
  const add = (event: SubmitEvent) => {
    event.preventDefault();
    const form = event.currentTarget as HTMLFormElement;
    const given = new FormData(form);
    void send(async () => {
      const { words: told } = await post<{ words: string }>(at, { what: `${text(given, "kind")} ${text(given, "of")}`, value: text(given, "value") });
      form.reset();
      water.again();
      return told;
    });
  };
  return (
    <section aria-labelledby="lines">
      <h2 id="lines">{w.log}</h2>
      {mayAct.value && (
        <details class="no-print">
          <summary>{w.addDose}</summary>
          <form onSubmit={add}>
            <div class="entries">
              <label class="field">
                <span>{w.kind}</span>
                <select name="kind">
                  <option value="dose">{w.once}</option>
                  <option value="daily">{w.daily}</option>
                </select>
              </label>
              <label class="field wide">
                <span>{w.of}</span>
                <select name="of">
                  {water.value?.salts.map((salt) => (
                    <option key={salt.name} value={salt.name}>
                      {salt.name}
                    </option>
                  ))}
                </select>
              </label>
              <label class="field">
                <span>{w.amount}</span>
                <input name="value" required maxLength={20} placeholder="12 g" autocomplete="off" />
              </label>
            </div>
            <button type="submit" class="small" disabled={isBusy}>
              {w.save}
            </button>
          </form>
          <p class="note">{w.dailyHint}</p>
        </details>
      )}
      {shown}
      {lines.length === 0 && <p class="calm">{w.empty}</p>}
      <ul class="sentences">
        {lines.slice(0, n).map((line) => (
          <li key={line.id} class={`line ${line.voided_by ? "doubtful" : ""}`}>
            <p>
              <At ms={line.at_ms} />: <b>{sentence(line.what).replace(/\.$/, "")}</b> {line.value} <span class="note">{words.care.by(line.who)}.</span> {line.note !== "" && written(line.note)}{" "}
              {line.voided_by && <b>{w.voided(line.voided_by)}</b>}
            </p>
            {mayAct.value && !line.voided_by && (
              <button
                type="button"
                class="small no-print"
                disabled={isBusy}
                aria-label={w.voidOf(line.what, day(line.at_ms))}
                onClick={() =>
                  void send(async () => {
                    const { words: told } = await remove<{ words: string }>(`${at}/${line.id}`);
                    water.again();
                    return told;
                  })
                }
              >
                {w.void}
              </button>
            )}
          </li>
        ))}
      </ul>
      {lines.length > n && (
        <button type="button" class="small" onClick={() => setN(n + 4 * SHOWN)}>
          {words.log.more}
        </button>
      )}
    </section>
  );
}
