// A registry from a file: what it would change first, then sent whole.

import { all, Problem, sendPlaces, type Place } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { sentence } from "../sentence.ts";
import { count } from "../words.ts";
import { preview, type Change } from "./csv.ts";
import { by } from "./sure.ts";

const changesShown = 200;
const placesRead = 200_000;

/** The part of the registry's page that takes a file; sent is called when it was taken. */
export function placesFilePart(sent: () => void, signal: AbortSignal): HTMLElement {
  const input = h("input", { type: "file", id: "places-file", accept: ".csv,text/csv,text/plain" });
  const out = h("div", { id: "places-preview", "aria-live": "polite" });

  const errors = (err: Problem): HTMLElement => h("div", { class: "failure", role: "alert" },
    h("p", null, h("strong", null, "Nothing was changed. "), err.details.length > 0 ? `${count(err.details.length, "thing is", "things are")} wrong in the file:` : sentence(err.message)),
    err.details.length > 0 && h("table", { class: "file-errors", id: "file-errors" },
      h("thead", null, h("tr", null, ["Line", "Column", "What is wrong"].map((n) => h("th", { scope: "col" }, n)))),
      h("tbody", null, err.details.map((d) => {
        const [, line = "", column = ""] = /line (\d+)(?:, (.*))?$/.exec(d.location ?? "") ?? [];
        return h("tr", null, h("th", { scope: "row" }, line === "0" || !line ? "the file" : line), h("td", null, column === "the whole" ? "" : column), h("td", null, sentence(d.message)));
      }))));

  const row = (c: Change): HTMLElement => h("tr", { data: { change: c.kind } },
    h("th", { scope: "row" }, c.turnout), h("td", null, c.kind === "dropped" ? h("b", { class: "bad" }, "dropped") : c.kind),
    h("td", null, c.kind === "dropped" ? "all that was said of it is forgotten" : c.fields.length === 0 ? h("span", { class: "soft" }, "its name alone")
      : h("ul", { class: "fields" }, c.fields.map(([name, was, will]) => h("li", null, h("span", { class: "soft" }, name), " ",
        was && h("del", null, was), was && " ", will ? h("ins", null, will) : h("span", { class: "soft" }, "no longer said"))))));

  const show = async (file: File): Promise<void> => {
    fill(out, h("p", { class: "soft" }, "Reading …"));
    try {
      const bytes = await file.arrayBuffer(); // what is shown is what is sent, whatever becomes of the file
      const p = preview(new TextDecoder().decode(bytes), (await all<Place>("/places", {}, placesRead, signal)).items);
      const of = (k: Change["kind"]): number => p.changes.filter((c) => c.kind === k).length;
      const dropped = of("dropped");
      const send = h("button", { type: "button", class: "act main", id: "places-send" }, dropped > 0 ? `Send it, and drop ${dropped}` : "Send it");
      const leave = h("button", { type: "button", class: "act", on: { click: () => { fill(out); input.focus(); } } }, "Leave it");
      send.addEventListener("click", () => void (async () => {
        send.disabled = true;
        try {
          const read = await sendPlaces(new Blob([bytes]), by());
          fill(out, h("p", { class: "good", role: "status" }, `The registry holds ${count(read.places, "turnout", "turnouts")} now.`));
          sent();
        } catch (err) {
          send.disabled = false;
          out.querySelector(".failure")?.remove();
          out.prepend(err instanceof Problem && err.status === 422 ? errors(err) : failure(err, "The file was not taken."));
        }
      })());
      fill(out, p.trouble ? h("p", { class: "bad" }, p.trouble) : h("div", { class: "file-preview" },
        h("p", { class: "counts" }, h("b", null, file.name), ` adds ${of("added")}, changes ${of("changed")}, `, h("b", { class: dropped > 0 ? "bad" : undefined }, `drops ${dropped}`), `, leaves ${p.same} as they are.`),
        dropped > 0 && h("p", null, "The file takes the place of the whole registry: what it does not name is dropped. To keep a turnout, add its line to the file."),
        p.changes.length > 0 && h("table", { class: "file-changes" }, h("thead", null, h("tr", null, ["Turnout", "", "What changes"].map((n) => (n ? h("th", { scope: "col" }, n) : h("td"))))),
          h("tbody", null, [...p.changes.filter((c) => c.kind === "dropped"), ...p.changes.filter((c) => c.kind !== "dropped")].slice(0, changesShown).map(row))),
        p.changes.length > changesShown && h("p", { class: "soft" }, `and ${p.changes.length - changesShown} more`)),
        h("p", { class: "row" }, send, " ", leave));
    } catch (err) {
      if (!signal.aborted) fill(out, failure(err, "The file could not be read."));
    }
  };
  input.addEventListener("change", () => {
    const file = input.files?.[0];
    if (!file) return;
    void show(file);
    input.value = ""; // the same file, mended, can be chosen again
  });
  return h("section", { class: "own", id: "places-import" }, h("h2", null, "From a file"),
    h("p", { class: "lead" }, "A CSV file with a line for each turnout, as “Export as CSV” writes it. What it changes is shown before anything is sent."),
    h("p", null, h("label", { for: "places-file" }, "CSV file "), input), out);
}
