// Reads a registry as a CSV file, as far as showing what it would change needs:
// the server reads it again, strictly, and says what is wrong.

import type { Place } from "../api.ts";

/** Rows of fields of a text after RFC 4180; the separator is found out. */
export function rows(text: string): string[][] {
  let s = text.replace(/^\ufeff/, "");
  const told = /^"?sep=([,;\t])"?\r?\n/.exec(s);
  if (told) s = s.slice(told[0].length);
  const first = /[^\r\n][^\r\n]*/.exec(s)?.[0] ?? "";
  const seps = [",", ";", "\t"];
  const sep = told?.[1] ?? seps.reduce((a, b) => (first.split(b).length > first.split(a).length ? b : a));
  const out: string[][] = [];
  let row: string[] = [];
  let field = "";
  let quoted = false;
  const end = (): void => {
    row.push(field);
    if (row.some((f) => f.trim())) out.push(row);
    row = [];
    field = "";
  };
  for (let i = 0; i < s.length; i++) {
    const c = s[i]!;
    if (quoted) {
      if (c !== '"') field += c;
      else if (s[i + 1] === '"') field += s[++i]!;
      else quoted = false;
    } else if (c === '"' && field === "") {
      quoted = true;
    } else if (c === sep) {
      row.push(field);
      field = "";
    } else if (c === "\n" || c === "\r") {
      if (c === "\r" && s[i + 1] === "\n") i++;
      end();
    } else {
      field += c;
    }
  }
  if (field || row.length > 0) end();
  return out;
}

/** The columns, with the words people read. */
export const columns: [keyof Place, string][] = [
  ["area", "area"], ["line", "line"], ["position", "order on the line"], ["drive", "drive"], ["criticality", "criticality"],
  ["throw_time_s", "throw time in s"], ["effort_rise_percent", "effort rise in %"], ["out_of_service", "out of service"], ["notes", "notes"],
];

/** A place's field as it is compared: nothing said is "". */
export function plain(p: Partial<Place> | undefined, name: keyof Place): string {
  const v = p?.[name];
  return v === undefined || v === 0 || v === false ? "" : v === true ? "yes" : String(v).replaceAll(/\r\n?/g, "\n");
}

function said(name: string, field: string): string {
  if (name === "notes") return meant(field).replaceAll(/\r\n?/g, "\n");
  const s = meant(field.trim());
  if (name === "out_of_service") return /^(yes|true|1)$/i.test(s) ? "yes" : /^(no|false|0|)$/i.test(s) ? "" : s;
  if (name === "drive") return s.toLowerCase();
  if (["position", "throw_time_s", "effort_rise_percent", "criticality"].includes(name)) {
    const n = Number(/^-?\d+,\d+$/.test(s) ? s.replace(",", ".") : s);
    return s === "" || n === 0 ? "" : Number.isNaN(n) ? s : String(n);
  }
  return s;
}

// An apostrophe keeps a spreadsheet from taking a text for a formula.
const meant = (s: string): string => (/^'[=+\-@\t\r\n＝＋－＠']/.test(s) ? s.slice(1) : s);

export interface Change {
  turnout: string;
  kind: "added" | "changed" | "dropped";
  /** Field by field: its words, what it was, what it will be. */
  fields: [name: string, was: string, will: string][];
}

export interface Preview {
  places: number;
  same: number;
  changes: Change[];
  /** Why nothing can be said; "" where it can. */
  trouble: string;
}

/** What a file would make of the registry. */
export function preview(text: string, now: Place[]): Preview {
  const [head, ...lines] = rows(text);
  const names = (head ?? []).map((n) => n.trim().toLowerCase());
  const at = names.indexOf("turnout");
  if (at < 0) return { places: 0, same: 0, changes: [], trouble: "The first line has to name the columns, one of them turnout." };
  const rest = new Map(now.map((p) => [p.turnout, p]));
  const changes: Change[] = [];
  let same = 0;
  for (const line of lines) {
    const turnout = meant((line[at] ?? "").trim());
    if (!turnout) continue;
    const was = rest.get(turnout);
    rest.delete(turnout);
    const fields: Change["fields"] = [];
    for (const [name, words] of columns) {
      const i = names.indexOf(name);
      const [old, next] = [plain(was, name), i < 0 ? "" : said(name, line[i] ?? "")];
      if (old !== next) fields.push([words, old, next]);
    }
    if (!was) changes.push({ turnout, kind: "added", fields });
    else if (fields.length > 0) changes.push({ turnout, kind: "changed", fields });
    else same++;
  }
  for (const p of rest.values()) changes.push({ turnout: p.turnout, kind: "dropped", fields: [] });
  return { places: lines.length, same, changes, trouble: "" };
}
