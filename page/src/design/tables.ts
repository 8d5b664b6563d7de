// The named tables of a system file with their keys, so that the values of a part can stand in a form. It reads; changes go through the station,
// which keeps comments and refuses what would be wrong. Pure.

import type { Finding } from "../api/design.ts";

export interface Entry {
  key: string;
  /** As it stands in the text. */
  raw: string;
  /** For what a form can hold: a text, number, or true or false. Lists and tables are changed in the text. */
  value: string | number | boolean | undefined;
  /** Remark behind it. */
  comment: string;
  line: number;
}

export interface Table {
  /** `vessel.display`, `rule.heater`, `system`. */
  path: string;
  section: string;
  name: string;
  /** First line, from 1. */
  line: number;
  entries: Entry[];
}

/** Splits a value from the remark behind it, and says whether lists and texts in it are closed. */
function parted(text: string): { raw: string; comment: string; isOpen: boolean } {
  let depth = 0;
  let quote = "";
  for (let i = 0; i < text.length; i += 1) {
    const c = text[i] ?? "";
    if (quote !== "") {
      if (quote === '"' && c === "\\") i += 1;
      else if (text.startsWith(quote, i)) {
        i += quote.length - 1;
        quote = "";
      }
    } else if (text.startsWith('"""', i) || text.startsWith("'''", i)) {
      quote = text.slice(i, i + 3);
      i += 2;
    } else if (c === '"' || c === "'") quote = c;
    else if (c === "[" || c === "{") depth += 1;
    else if (c === "]" || c === "}") depth -= 1;
    else if (c === "#") {
      if (depth === 0) return { raw: text.slice(0, i).trim(), comment: text.slice(i + 1).trim(), isOpen: false };
      const end = text.indexOf("\n", i);
      i = end < 0 ? text.length : end;
    }
  }
  return { raw: text.trim(), comment: "", isOpen: depth > 0 || quote.length === 3 };
}

function valueOf(raw: string): Entry["value"] {
  if (raw === "true" || raw === "false") return raw === "true";
  if (/^[+-]?\d[\d_]*(\.\d+)?$/.test(raw)) return Number(raw.replaceAll("_", ""));
  if (/^"(?:[^"\\]|\\.)*"$/.test(raw)) {
    try {
      return JSON.parse(raw) as string;
    } catch {
      return undefined;
    }
  }
  return /^'[^']*'$/.test(raw) ? raw.slice(1, -1) : undefined;
}

export function tables(text: string): Table[] {
  const all: Table[] = [];
  let now: Table | undefined;
  const lines = text.split("\n");
  for (let i = 0; i < lines.length; i += 1) {
    const line = lines[i] ?? "";
    const head = /^\s*(\[\[?)\s*([A-Za-z0-9_-]+)\s*\]\]?/.exec(line);
    if (head) {
      const section = head[2] ?? "";
      now = { path: head[1] === "[" ? section : "", section, name: "", line: i + 1, entries: [] };
      all.push(now);
      continue;
    }
    // A table within a table is changed in the text.
    if (/^\s*\[/.test(line)) now = undefined;
    const pair = /^\s*([A-Za-z0-9_-]+)\s*=\s*/.exec(line);
    if (!pair) continue;
    const first = i;
    let rest = line.slice(pair[0].length);
    let found = parted(rest);
    while (found.isOpen && i + 1 < lines.length) {
      i += 1;
      rest += `\n${lines[i]}`;
      found = parted(rest);
    }
    if (!now) continue;
    const key = pair[1] ?? "";
    const value = valueOf(found.raw);
    now.entries.push({ key, raw: found.raw, value, comment: found.comment, line: first + 1 });
    if ((key === "name" && now.path === "") || (key === "drives" && now.section === "rule")) {
      now.name = String(value ?? "");
      now.path = `${now.section}.${now.name}`;
    }
  }
  return all.filter((table) => table.path !== "");
}

/** What a form's text means for a key: a number stays a number, true or false stay these. */
export function asValue(entry: Entry, given: string): string | number | boolean {
  if (typeof entry.value === "boolean") return given === "true";
  if (typeof entry.value === "number" && given.trim() !== "" && Number.isFinite(Number(given))) return Number(given);
  return given;
}

/** The table of a part of the drawing: `sensor.ph`, `water.display`, `passage.drain`. */
export function tableOf(all: Table[], partId: string): Table | undefined {
  const [kind, name] = partId.split(".");
  const sections: Record<string, string[]> = {
    water: ["vessel"],
    vessel: ["vessel"],
    displaced: ["vessel"],
    break: ["passage"],
    dimension: ["vessel", "passage"],
    stand: ["vessel"],
  };
  const wanted = sections[kind ?? ""] ?? [kind ?? ""];
  return all.find((table) => wanted.includes(table.section) && table.name === name);
}

/** Keys that a part of this name lacks, with the example that the finding's cure gives: "add `low = \"197 mm\"`". */
export function missing(findings: Finding[], name: string): { key: string; example: string }[] {
  return findings.flatMap((finding) => {
    const found = finding.id === "missing-key" && finding.about?.includes(name) ? /`([A-Za-z0-9_-]+) = ([^`]*)`/.exec(finding.cure ?? "") : null;
    return found ? [{ key: found[1] ?? "", example: (found[2] ?? "").replace(/^"(.*)"$/, "$1") }] : [];
  });
}
