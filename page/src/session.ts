// Who is logged in.

import { computed, signal } from "@preact/signals";
import { get, whenLogInNeeded } from "./api/client.ts";
import { pause } from "./api/stream.ts";
import type { Session } from "./api/types.ts";
import { start, stop } from "./live.ts";

export const session = signal<Session | undefined>(undefined);
export const sessionProblem = signal<unknown>(undefined);
export const me = computed(() => session.value?.me);
export const mayAct = computed(() => me.value?.role === "operator" || me.value?.role === "owner");
export const isOwner = computed(() => me.value?.role === "owner");

function forgotten(): void {
  stop();
  session.value = { needs_first_owner: session.value?.needs_first_owner ?? false };
}

/** Takes who is logged in; what is now is followed from then on. */
export function loggedIn(body: Session): void {
  session.value = body;
  if (body.me) start(forgotten);
  else stop();
}

let tries = 0;
let timer: ReturnType<typeof setTimeout> | undefined;

/** Asks who is logged in; while there is no answer again and again, ever more rarely. */
export async function whoAmI(): Promise<void> {
  clearTimeout(timer);
  try {
    loggedIn(await get<Session>("session"));
    sessionProblem.value = undefined;
    tries = 0;
  } catch (error) {
    sessionProblem.value = error;
    timer = setTimeout(() => void whoAmI(), pause(tries, Math.random()));
    tries += 1;
  }
}

whenLogInNeeded(() => {
  if (me.value) forgotten();
});
