// The sheet of keys.

import { h } from "./dom.ts";

const keys: [string, string][] = [
  ["↓  ↑  j  k", "next, previous alert"],
  ["a", "acknowledge"],
  ["s  u", "shelve, unshelve"],
  ["n", "write a note"],
  ["f", "say what was found"],
  ["r", "take back an acknowledgement, or what was found"],
  ["Space", "choose one of several; Esc: none"],
  ["Enter", "open the alert; from there, its turnout"],
  ["w", "larger, for a wall"],
  ["h  t  c  q", "alerts, turnouts, cabinets, refused messages"],
  ["m", "work list; there j k o r p: next, previous, unfold, record work, print"],
  ["/", "filter the turnouts"],
  ["←  →", "previous, next throw; on a graph: previous, next point"],
  ["0", "graphs: the whole range again"],
  ["z", "UTC or local time"],
  ["d", "dark or light"],
  ["?", "these keys"],
  ["Esc", "leave a field, a dialog, an alert’s page"],
];

export interface Keys {
  dialog: HTMLDialogElement;
  show(): void;
}

export function drawKeys(used: () => boolean, use: (on: boolean) => void): Keys {
  const box = h("input", { type: "checkbox", id: "single-keys", on: { change: () => use(box.checked) } });
  const dialog = h("dialog", { id: "keys", class: "keys", "aria-labelledby": "keys-title" },
    h("h2", { id: "keys-title" }, "Keys"),
    h("dl", null, keys.map(([k, what]) => [h("dt", null, k.split("  ").map((one) => h("kbd", null, one))), h("dd", null, what)])),
    h("p", null, h("label", null, box, " Use single keys (not while typing)")),
    h("form", { method: "dialog" }, h("button", { class: "act" }, "Close")));
  return {
    dialog,
    show(): void {
      box.checked = used();
      dialog.showModal();
    },
  };
}
