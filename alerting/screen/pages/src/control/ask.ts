// A dialog with a form: sent with Enter, left with Escape, and the focus goes
// back to where it was.

import { h, type Child } from "../dom.ts";
import { form, type Field } from "../form.ts";

/**
 * Asks; send is called with what was filled in, and what it throws is told in
 * the dialog, which then stays. True once it was sent.
 */
export function ask(id: string, title: string, lead: Child[], fields: Field[], button: string, what: string, send: () => Promise<void>): Promise<boolean> {
  const back = document.activeElement;
  let sent = false;
  const f = form(`${id}-form`, fields, button, what, async () => {
    await send();
    sent = true;
    dialog.close();
  });
  const leave = h("button", { type: "button", class: "act", on: { click: () => dialog.close() } }, "Leave");
  f.el.querySelector("button[type=submit]")?.after(" ", leave);
  const dialog = h("dialog", { id: `${id}-dialog`, class: "keys ask", "aria-labelledby": `${id}-title` },
    h("h2", { id: `${id}-title` }, title), lead, f.el);
  document.body.append(dialog);
  dialog.showModal();
  dialog.querySelector<HTMLElement>("input:not([hidden]), select")?.focus();
  return new Promise((done) => {
    dialog.addEventListener("close", () => {
      dialog.remove();
      if (back instanceof HTMLElement && back.isConnected) back.focus({ preventScroll: true });
      done(sent);
    });
  });
}
