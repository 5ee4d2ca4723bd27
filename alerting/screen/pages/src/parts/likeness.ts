// How far a throw's course stands from those of its past, in a line.

import type { Likeness } from "../api.ts";
import { h } from "../dom.ts";
import { sentence } from "../sentence.ts";
import { figure, quantityName } from "../words.ts";

export function likenessLine(l: Likeness, named: boolean): HTMLElement {
  const known = l.t2 !== undefined && l.spe !== undefined;
  return h("p", { class: "likeness", data: { beyond: l.beyond, quantity: l.quantity } },
    named && h("span", { class: "soft" }, `${l.drive}, ${quantityName(l.quantity)}: `), h("span", { class: l.beyond ? "bad" : "" }, sentence(l.said)),
    known && h("span", { class: "soft figures-small", title: "Hotelling’s T²: how far along directions in which its past varies. SPE, the squared prediction error: how far across them." },
      ` T²\u00a0${figure(l.t2)} of\u00a0${figure(l.t2_limit)}, SPE\u00a0${figure(l.spe)} of\u00a0${figure(l.spe_limit)}`));
}
