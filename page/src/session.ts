// Who is logged in.

import { computed, signal } from "@preact/signals";
import { get, whenLogInNeeded } from "./api/client.ts";
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

export async function whoAmI(): Promise<void> {
  sessionProblem.value = undefined;
  try {
    loggedIn(await get<Session>("session"));
  } catch (error) {
    sessionProblem.value = error;
  }
}

whenLogInNeeded(() => {
  if (me.value) forgotten();
});
