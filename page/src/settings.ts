// What a person chose for this browser: units and colours. Nothing else is kept here.

import { effect, signal } from "@preact/signals";

export interface Settings {
  units: "metric" | "us";
  theme: "auto" | "light" | "dark";
}

const KEY = "tidewright";

function read(): Settings {
  const settings: Settings = { units: "metric", theme: "auto" };
  try {
    const kept = JSON.parse(localStorage.getItem(KEY) ?? "{}") as Partial<Settings>;
    if (kept.units === "us") settings.units = "us";
    if (kept.theme === "light" || kept.theme === "dark") settings.theme = kept.theme;
  } catch {
    // A browser that keeps nothing shows what is usual.
  }
  return settings;
}

export const settings = signal<Settings>(read());

/** Rises when the colours change, for what draws by itself. */
export const colours = signal(0);

effect(() => {
  const { theme } = settings.value;
  if (typeof document === "undefined") return;
  document.documentElement.dataset["theme"] = theme;
  colours.value = colours.peek() + 1;
  try {
    localStorage.setItem(KEY, JSON.stringify(settings.value));
  } catch {
    // As above.
  }
});

if (typeof matchMedia !== "undefined") {
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => (colours.value += 1));
}
