// In whose name something is done: of who is logged in, or, where nobody logs
// in, by a name that is asked for once.

import { h, remember, remembered } from "../dom.ts";
import { field, text } from "../form.ts";
import { named } from "../session.ts";
import { ask } from "./ask.ts";

let here = ""; // where the browser keeps nothing

/** The name that was given; "" where none was, or where one logs in. */
export const givenName = (): string => (named() ? "" : remembered("by") || here);

/** Asks for a name; false where none was given. */
export function askName(): Promise<boolean> {
  const name = field("by", "Your name", text("your-name", { maxlength: 128, autocomplete: "name", autocapitalize: "words", value: givenName() }),
    "It stands in the journal beside what you do. This browser remembers it.");
  return ask("name", "Who are you?", [h("p", { class: "soft" }, "Nobody logs in here, so the journal cannot know.")], [name], "Use this name", "The name was not kept.", async () => {
    here = name.input.value.trim();
    remember("by", here);
    document.dispatchEvent(new CustomEvent("name"));
  });
}

/** The name to send: undefined where one logs in, null where none was given. */
export async function who(): Promise<string | undefined | null> {
  if (named()) return undefined;
  if (!givenName() && !(await askName())) return null;
  return givenName();
}
