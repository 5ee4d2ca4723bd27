// People: who may come in, with which role, and what was done by whom.

import { get, post, segment, type List } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { field, form, text } from "../form.ts";
import type { Draw } from "../page.ts";
import { roles, roleWords, session, wholeLink, type Audit, type Invited, type Person, type Role } from "../session.ts";
import { when } from "../time.ts";
import { count } from "../words.ts";

export const peoplePage: Draw = (root, _yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "people-said" });
  const trouble = h("div", { role: "status" });
  const given = h("div", { role: "status", id: "link-given" });
  const body = h("tbody");
  const log = h("ol", { class: "audit", id: "audit" });
  const name = field("name", "Name", text("person-name", { maxlength: 64, autocomplete: "off" }), "1 to 64 of a-z 0-9 . _ @ + -");
  const display = field("display", "How the person is called", h("input", { id: "person-display", maxlength: 128, autocomplete: "off" }), "May be left empty.");
  const role = field("role", "Role", h("select", { id: "person-role" }, roles.map((r) => h("option", { value: r }, `${r}: ${roleWords[r]}`))), "Each role may do all that those before it may.");
  const add = form("person", [name, display, role], "Make the account", "No account was made.", async () => {
    const p = await post<Invited>("/users", { name: name.input.value, display: display.input.value.trim() || undefined, role: role.input.value });
    if (p) show(p.name, p.link);
    name.input.value = display.input.value = "";
    await load();
  });
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "People"), said), trouble, given,
    h("table", { class: "people", id: "people" },
      h("thead", null, h("tr", null, ["Name", "Role", "Since", "State", "What can be done"].map((n) => h("th", { scope: "col" }, n)))), body),
    h("section", { class: "own" }, h("h2", null, "A new account"), add.el),
    h("section", { class: "own" }, h("h2", null, "What was done"), log, h("p", null, h("a", { href: "/audit" }, "All of it, in the audit"))));

  const show = (who: string, link: string): void => {
    fill(given, h("div", { class: "given" }, h("p", null, "Give this link to ", h("b", null, who), ", and to nobody else. It is shown only now, good once and for 72 hours."),
      h("code", { id: "link", tabindex: 0 }, wholeLink(link))));
    given.scrollIntoView({ block: "nearest" });
  };
  const doing = async (what: string, act: () => Promise<void>): Promise<void> => {
    try {
      await act();
      fill(trouble);
    } catch (err) {
      fill(trouble, failure(err, what));
    }
    await load();
  };
  const row = (p: Person): HTMLElement => {
    const at = `/users/${segment(p.name)}`;
    const me = session()?.user?.name === p.name;
    const choose = h("select", { "aria-label": `Role of ${p.name}`, disabled: Boolean(p.openid) }, roles.map((r) => h("option", { value: r, selected: r === p.role }, r)));
    choose.addEventListener("change", () => void doing("The role was not changed.", async () => { await post(at, { role: choose.value as Role }); }));
    const act = (words: string, id: string, f: () => Promise<void>, what: string): HTMLElement =>
      h("button", { type: "button", class: "act", data: { act: id }, "aria-label": `${words}: ${p.name}`, on: { click: () => void doing(what, f) } }, words);
    return h("tr", { data: { person: p.name } },
      h("th", { scope: "row" }, p.name, p.display && h("span", { class: "soft" }, ` ${p.display}`)),
      h("td", null, choose), h("td", null, when(p.created_at)),
      h("td", null, [p.disabled && h("b", { class: "bad" }, "disabled"), p.invited && "no password yet", p.openid && "logs in at the organisation", me && "you"].filter(Boolean).flatMap((x, i) => (i ? [", ", x] : [x]))),
      h("td", null, h("div", { class: "row" },
        !p.openid && act(p.invited ? "New link" : "Link for a new password", "link", async () => {
          const l = await post<{ link: string }>(at + "/link", {});
          if (l) show(p.name, l.link);
        }, "No link was made."),
        !me && act("Log out", "logout", async () => { await post(at + "/logout", {}); }, "The sessions were not ended."),
        !me && act(p.disabled ? "Enable" : "Disable", "disable", async () => { await post(at, { disabled: !p.disabled }); }, "This was not changed."))));
  };
  const load = async (): Promise<void> => {
    try {
      const [people, audit] = await Promise.all([get<List<Person>>("/users", {}, signal), get<Audit>("/audit", { limit: 50 }, signal)]);
      said.textContent = `${count(people.items.length, "account", "accounts")}, ${people.items.filter((p) => p.disabled).length} disabled`;
      fill(body, people.items.map(row));
      fill(log, audit.items.map((a) => h("li", null, h("span", { class: "at" }, when(a.at)), h("b", null, a.by || "the program"), h("span", null, a.what, a.detail && `: ${a.detail}`))));
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The people could not be read.", () => void load()));
    }
  };
  void load();
  return { title: "People", refresh: () => void load(), close: () => undefined };
};
