// The sheet of keys.

import { h } from "./dom.ts";

const keys: [string, string][] = [
  ["j  k", "next, previous alert"],
  ["Enter", "open the alert’s turnout"],
  ["s", "all alerts have been seen"],
  ["a  t  c  q", "alerts, turnouts, cabinets, refused messages"],
  ["/", "filter the turnouts"],
  ["←  →", "previous, next throw; on a graph: previous, next point"],
  ["0", "graphs: the whole range again"],
  ["u", "UTC or local time"],
  ["d", "dark or light"],
  ["?", "these keys"],
  ["Esc", "leave a field or this sheet"],
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
