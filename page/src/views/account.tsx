// One's own account, and for the owner who else may come in.

import { useState } from "preact/hooks";
import { get, path, post, remove, said } from "../api/client.ts";
import type { Account as AccountBody, OneAccount, Role, Scope, Session, Token } from "../api/types.ts";
import { useLoaded } from "../load.ts";
import { At } from "../parts/at.tsx";
import { text } from "../parts/ask.tsx";
import { Waits } from "../parts/state.tsx";
import { isOwner, loggedIn, me, session } from "../session.ts";
import { type Settings, settings } from "../settings.ts";
import { words } from "../words.ts";

const w = words.account;

export function Account() {
  if (!session.value) return <p class="pending">{words.loading}</p>;
  if (!me.value) return session.value.needs_first_owner ? <First /> : <LogIn />;
  return (
    <>
      <Own />
      {isOwner.value && <Accounts />}
      {isOwner.value && <Tokens />}
      <Browser />
    </>
  );
}

interface FieldProps {
  name: string;
  label: string;
  hint?: string;
  [more: string]: unknown;
}

function Field({ name, label, hint, ...more }: FieldProps) {
  const id = `hint-${name}`;
  return (
    <label class="field">
      <span>{label}</span>
      <input name={name} required {...(hint ? { "aria-describedby": id } : {})} {...more} />
      {hint && (
        <small id={id} class="note">
          {hint}
        </small>
      )}
    </label>
  );
}

interface FormProps {
  go: string;
  children?: preact.ComponentChildren;
  send(form: FormData): Promise<string | void>;
}

/** A form that says what came of it. */
function Form({ go, children, send }: FormProps) {
  const [isBusy, setBusy] = useState(false);
  const [result, setResult] = useState<{ text: string; isGood: boolean }>();
  const submit = async (event: SubmitEvent) => {
    event.preventDefault();
    const form = event.currentTarget as HTMLFormElement;
    setBusy(true);
    try {
      const words = await send(new FormData(form));
      if (words) {
        form.reset();
        setResult({ text: words, isGood: true });
      } else {
        setResult(undefined);
      }
    } catch (error) {
      setResult({ text: said(error), isGood: false });
    }
    setBusy(false);
  };
  return (
    <form class="narrow" onSubmit={submit}>
      {children}
      <button type="submit" class="main" disabled={isBusy}>
        {go}
      </button>
      <div aria-live="polite">{result && <p class={result.isGood ? "good" : "bad"}>{result.text}</p>}</div>
    </form>
  );
}

export function LogIn() {
  const [needsCode, setNeedsCode] = useState(false);
  return (
    <section aria-labelledby="log-in">
      <h2 id="log-in">{w.logIn}</h2>
      <Form
        go={w.logIn}
        send={async (form) => {
          const code = text(form, "code");
          try {
            const body = { name: text(form, "name"), password: String(form.get("password") ?? ""), ...(code ? { code } : {}) };
            loggedIn(await post<Session>("session", body));
          } catch (error) {
            if ((error as { id?: string }).id === "code-needed") setNeedsCode(true);
            throw error;
          }
        }}
      >
        <Field name="name" label={w.name} autocomplete="username" autocapitalize="none" spellcheck={false} />
        <Field name="password" label={w.password} type="password" autocomplete="current-password" />
        {needsCode && <Field name="code" label={w.code} hint={w.codeHint} autocomplete="one-time-code" />}
      </Form>
    </section>
  );
}

export function First() {
  return (
    <section aria-labelledby="first">
      <h2 id="first">{w.first}</h2>
      <p>{w.firstIntro}</p>
      <Form
        go={w.first}
        send={async (form) => {
          const body = { code: text(form, "code"), name: text(form, "name"), password: String(form.get("password") ?? "") };
          loggedIn(await post<Session>("account/first", body));
        }}
      >
        <Field name="code" label={w.firstCode} autocomplete="off" spellcheck={false} />
        <Field name="name" label={w.name} autocomplete="username" autocapitalize="none" maxLength={40} />
        <Field name="password" label={w.newPassword} hint={w.passwordHint} type="password" minLength={12} autocomplete="new-password" />
      </Form>
    </section>
  );
}

function Own() {
  const account = useLoaded(() => get<AccountBody>("account"), []);
  const logOut = async () => {
    try {
      await remove("session");
    } finally {
      loggedIn({ needs_first_owner: false });
    }
  };
  const own = account.value;
  return (
    <>
      <section aria-labelledby="you">
        <h2 id="you">{words.viewTitles.account}</h2>
        <div class="line">
          <p>{w.you(me.value?.name ?? "", w.roles[me.value?.role ?? "viewer"])}</p>
          <button type="button" onClick={logOut}>
            {w.logOut}
          </button>
        </div>
        <Waits of={account} />
        {own && (
          <>
            <h3>{w.sessions}</h3>
            <div class="scroll" tabIndex={0} role="group" aria-label={w.sessions}>
              <table>
                <thead>
                  <tr>
                    <th scope="col">{w.device}</th>
                    <th scope="col">{w.from}</th>
                    <th scope="col">{w.begun}</th>
                    <th scope="col">{w.seen}</th>
                    <th scope="col">{w.end}</th>
                  </tr>
                </thead>
                <tbody>
                  {own.sessions.map((one) => (
                    <tr key={one.id}>
                      <th scope="row">{shortDevice(one.device)}</th>
                      <td>{one.address}</td>
                      <td>
                        <At ms={one.begun_ms} />
                      </td>
                      <td>
                        <At ms={one.seen_ms} />
                      </td>
                      <td>
                        {one.is_this ? (
                          w.thisOne
                        ) : (
                          <Remove
                            what={w.endSession(shortDevice(one.device))}
                            word={w.end}
                            act={() => remove(`account/sessions/${one.id}`)}
                            onDone={account.again}
                          />
                        )}
                      </td>
                    </tr>
                  ))}
                </tbody>
              </table>
            </div>
          </>
        )}
      </section>
      {own && <Totp own={own} onChange={account.again} />}
      <section aria-labelledby="change-password">
        <h2 id="change-password">{w.changePassword}</h2>
        <Form
          go={w.change}
          send={async (form) => {
            const body = { old: String(form.get("old") ?? ""), new: String(form.get("new") ?? "") };
            return (await post<{ words: string }>("account/password", body)).words;
          }}
        >
          <Field name="old" label={w.oldPassword} type="password" autocomplete="current-password" />
          <Field name="new" label={w.newPassword} hint={w.passwordHint} type="password" minLength={12} autocomplete="new-password" />
        </Form>
      </section>
    </>
  );
}

/** A browser and a system out of what it calls itself; the start of it where neither is known. */
export function shortDevice(agent: string): string {
  const browser = /(Firefox|Edg|Chrome|Safari)/.exec(agent)?.[1]?.replace("Edg", "Edge");
  const system = /(Android|iPhone|iPad|Windows|Mac OS X|Linux)/.exec(agent)?.[1];
  return [browser, system].filter(Boolean).join(", ") || agent.slice(0, 30);
}

interface RemoveProps {
  what: string;
  word: string;
  act(): Promise<unknown>;
  onDone(): void;
}

function Remove({ what, word, act, onDone }: RemoveProps) {
  const [problem, setProblem] = useState("");
  const go = async () => {
    if (!confirm(w.sure(what))) return;
    try {
      await act();
      onDone();
    } catch (error) {
      setProblem(said(error));
    }
  };
  return (
    <>
      <button type="button" class="small" aria-label={what} onClick={go}>
        {word}
      </button>
      {problem !== "" && (
        <span class="bad" role="alert">
          {problem}
        </span>
      )}
    </>
  );
}

function Totp({ own, onChange }: { own: AccountBody; onChange(): void }) {
  const [begun, setBegun] = useState<{ uri: string; secret: string }>();
  const [codes, setCodes] = useState<string[]>();
  return (
    <section aria-labelledby="totp">
      <h2 id="totp">{w.totp}</h2>
      {codes && (
        <div class="once" role="status">
          <p>{w.recovery}</p>
          <ul>
            {codes.map((code) => (
              <li key={code}>
                <code>{code}</code>
              </li>
            ))}
          </ul>
        </div>
      )}
      {own.has_totp ? (
        <>
          <p>{w.hasTotp(own.n_recovery_codes)}</p>
          <Form
            go={w.totpEnd}
            send={async (form) => {
              const { words: told } = await remove<{ words: string }>("account/totp", { password: String(form.get("password") ?? "") });
              setCodes(undefined);
              onChange();
              return told;
            }}
          >
            <Field name="password" label={w.oldPassword} type="password" autocomplete="current-password" />
          </Form>
        </>
      ) : begun ? (
        <>
          <p>{w.totpScan}</p>
          <Qr text={begun.uri} />
          <p>
            {w.secret}: <code class="secret">{begun.secret.replace(/(.{4})(?=.)/g, "$1 ")}</code>
          </p>
          <p>
            <a href={begun.uri}>{w.totpLink}</a>
          </p>
          <Form
            go={w.totpConfirm}
            send={async (form) => {
              const told = await post<{ recovery_codes: string[] }>("account/totp/confirm", { code: text(form, "code") });
              setCodes(told.recovery_codes);
              setBegun(undefined);
              onChange();
            }}
          >
            <Field name="code" label={w.totpConfirm} hint={w.codeHint} autocomplete="one-time-code" inputMode="numeric" pattern="[0-9 ]*" />
          </Form>
        </>
      ) : (
        <>
          <p>{w.noTotp}</p>
          <Form
            go={w.totpBegin}
            send={async (form) => {
              setBegun(await post("account/totp", { password: String(form.get("password") ?? "") }));
            }}
          >
            <Field name="password" label={w.oldPassword} type="password" autocomplete="current-password" />
          </Form>
        </>
      )}
    </section>
  );
}

function Qr({ text }: { text: string }) {
  const made = useLoaded(async () => {
    const { encode } = await import("uqr");
    return encode(text, { ecc: "M", border: 4 });
  }, [text]);
  if (!made.value) return null;
  const { size, data } = made.value;
  const d = data.flatMap((row, y) => row.map((dark, x) => (dark ? `M${x} ${y}h1v1h-1z` : ""))).join("");
  return (
    <svg class="qr" viewBox={`0 0 ${size} ${size}`} role="img" aria-label={w.qr}>
      <path class="ground" d={`M0 0h${size}v${size}H0z`} />
      <path class="dots" d={d} />
    </svg>
  );
}

function Accounts() {
  const all = useLoaded(() => get<OneAccount[]>("accounts"), []);
  const [problem, setProblem] = useState("");
  const setRole = async (id: number, role: string) => {
    try {
      await post(`accounts/${path(id)}/role`, { role });
      setProblem("");
    } catch (error) {
      setProblem(said(error));
    }
    all.again();
  };
  return (
    <section aria-labelledby="accounts">
      <h2 id="accounts">{w.accounts}</h2>
      <Waits of={all} />
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      <ul class="sentences">
        {all.value?.map((one) => (
          <li key={one.id}>
            <div class="line wrap">
              <label class="field inline">
                <span>{one.name}</span>
                <select value={one.role} onChange={(event) => setRole(one.id, event.currentTarget.value)}>
                  <Roles />
                </select>
              </label>
              <Remove what={w.endAllOf(one.name)} word={w.endAll} act={() => remove(`accounts/${one.id}/sessions`)} onDone={all.again} />
              <Remove what={w.removeAccount(one.name)} word={w.remove} act={() => remove(`accounts/${one.id}`)} onDone={all.again} />
            </div>
          </li>
        ))}
      </ul>
      <details>
        <summary>{w.addAccount}</summary>
        <Form
          go={w.addAccount}
          send={async (form) => {
            const role = text(form, "role") as Role;
            const made = await post<OneAccount>("accounts", { name: text(form, "name"), role, password: String(form.get("password") ?? "") });
            all.again();
            return w.roles[made.role];
          }}
        >
          <Field name="name" label={w.name} maxLength={40} autocomplete="off" autocapitalize="none" />
          <label class="field">
            <span>{w.role}</span>
            <select name="role">
              <Roles />
            </select>
          </label>
          <Field name="password" label={w.newPassword} hint={w.passwordHint} type="password" minLength={12} autocomplete="new-password" />
        </Form>
      </details>
    </section>
  );
}

function Roles() {
  return (
    <>
      {Object.entries(w.roles).map(([role, word]) => (
        <option key={role} value={role}>
          {word}
        </option>
      ))}
    </>
  );
}

function Tokens() {
  const all = useLoaded(() => get<Token[]>("tokens"), []);
  const [made, setMade] = useState("");
  return (
    <section aria-labelledby="tokens">
      <h2 id="tokens">{w.tokens}</h2>
      <Waits of={all} />
      {all.value?.length === 0 && <p class="note">{w.noTokens}</p>}
      {made !== "" && (
        <div class="once" role="status">
          <p>{w.tokenOnce}</p>
          <code class="secret">{made}</code>
        </div>
      )}
      <ul class="sentences">
        {all.value?.map((one) => (
          <li key={one.id}>
            <div class="line">
              <p>
                <b>{one.name}:</b> {one.scopes.map((scope) => w.scope[scope]).join(", ")}.{" "}
                <span class="note">
                  {w.ends}: <At ms={one.ends_ms} />. {w.used}: {one.used_ms === undefined ? w.never : <At ms={one.used_ms} />}.
                </span>
              </p>
              <Remove what={w.removeToken(one.name)} word={w.remove} act={() => remove(`tokens/${one.id}`)} onDone={all.again} />
            </div>
          </li>
        ))}
      </ul>
      <details>
        <summary>{w.addToken}</summary>
        <Form
          go={w.addToken}
          send={async (form) => {
            const scopes = form.getAll("scope") as Scope[];
            const told = await post<{ token: string }>("tokens", { name: text(form, "name"), scopes, days: Number(text(form, "days")) });
            setMade(told.token);
            all.again();
          }}
        >
          <Field name="name" label={w.tokenFor} maxLength={40} autocomplete="off" />
          <fieldset>
            <legend>{w.scopes}</legend>
            {Object.entries(w.scope).map(([scope, word]) => (
              <label class="check" key={scope}>
                <input type="checkbox" name="scope" value={scope} defaultChecked={scope === "read"} />
                {word}
              </label>
            ))}
          </fieldset>
          <Field name="days" label={w.days} type="number" min={1} max={366} defaultValue="90" inputMode="numeric" />
        </Form>
      </details>
    </section>
  );
}

export function Browser() {
  const set = (change: Partial<Settings>) => (settings.value = { ...settings.value, ...change });
  return (
    <section aria-labelledby="browser">
      <h2 id="browser">{w.settings}</h2>
      <label class="field inline">
        <span>{w.units}</span>
        <select value={settings.value.units} onChange={(event) => set({ units: event.currentTarget.value as Settings["units"] })}>
          <option value="metric">{w.metric}</option>
          <option value="us">{w.us}</option>
        </select>
      </label>
      <label class="field inline">
        <span>{w.theme}</span>
        <select value={settings.value.theme} onChange={(event) => set({ theme: event.currentTarget.value as Settings["theme"] })}>
          {Object.entries(w.themes).map(([theme, word]) => (
            <option key={theme} value={theme}>
              {word}
            </option>
          ))}
        </select>
      </label>
    </section>
  );
}
