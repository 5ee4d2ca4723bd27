// Oneself: the password, the tokens, and the way out.

import { get, post, type List } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { field, form, password, text } from "../form.ts";
import type { Draw } from "../page.ts";
import { readSession, roles, session, type NewToken, type Token } from "../session.ts";
import { when } from "../time.ts";

export const accountPage: Draw = (root, _yard, _args, signal) => {
  const s = session();
  const said = h("p", { class: "summary" });
  const body = h("div");
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Your account"), said), body);
  const list = h("tbody");
  const trouble = h("div", { role: "status" });
  const made = h("div", { role: "status", id: "token-made" });

  const load = async (): Promise<void> => {
    try {
      const items = (await get<List<Token>>("/tokens", {}, signal)).items;
      fill(trouble, items.length === 0 && h("p", { class: "soft" }, "There is no token."));
      fill(list, items.map((t) => h("tr", { data: { token: t.id } },
        h("th", { scope: "row" }, t.label), h("td", null, t.role),
        h("td", null, "holds until ", when(t.expires_at)),
        h("td", { class: "soft" }, t.used_at ? ["used ", when(t.used_at)] : "never used"),
        h("td", null, h("button", { type: "button", class: "act", "aria-label": `Revoke ${t.label}`, on: { click: () => void revoke(t) } }, "Revoke")))));
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The tokens could not be read.", () => void load()));
    }
  };
  const revoke = async (t: Token): Promise<void> => {
    try {
      await post(`/tokens/${t.id}/revoke`, {});
      await load();
    } catch (err) {
      fill(trouble, failure(err, "It was not revoked."));
    }
  };
  const out = async (everywhere: boolean): Promise<void> => {
    try {
      await post("/session/logout", everywhere ? { everywhere } : {});
      location.assign("/login");
    } catch (err) {
      fill(trouble, failure(err, "You are still logged in."));
    }
  };

  const draw = (): void => {
    const me = session()?.user;
    if (!me) {
      fill(body, h("p", null, "Nobody needs to log in here."));
      return;
    }
    const role = session()?.role ?? me.role;
    fill(said, h("b", null, me.display || me.name), me.display ? ` (${me.name})` : "", `, ${role}`);
    const old = password("old-password", "old", "Password now", "current-password");
    const fresh = password("new-password", "password", "New password", "new-password", "At least 12 characters; a few words do well.");
    const change = form("password", [old, fresh], "Change the password", "The password was not changed.", async () => {
      await post("/session/password", { old: old.input.value, password: fresh.input.value });
      old.input.value = fresh.input.value = "";
      fill(change.outcome, h("p", { class: "good" }, "Changed. All your other browsers are logged out."));
    });
    const label = field("label", "What it is for", text("token-label", { maxlength: 64, autocomplete: "off" }));
    const most = field("role", "What it may do", h("select", { id: "token-role" }, roles.slice(0, roles.indexOf(role) + 1).map((r) => h("option", { value: r }, r))));
    const days = field("days", "Days for which it holds", text("token-days", { type: "number", min: 1, max: 3660, value: 365 }));
    const token = form("token", [label, most, days], "Make a token", "No token was made.", async () => {
      const t = await post<NewToken>("/tokens", { label: label.input.value, role: most.input.value, days: Number(days.input.value) });
      label.input.value = "";
      fill(made, t && h("div", { class: "given" }, h("p", null, h("b", null, t.label), ": this is shown only now."), h("code", { id: "token-secret", tabindex: 0 }, t.secret),
        h("p", { class: "soft" }, "Sent as ", h("code", null, "Authorization: Bearer …"))));
      await load();
    });
    fill(body,
      h("section", { class: "own" }, h("h2", null, "Way out"), h("p", { class: "row" },
        h("button", { type: "button", class: "act main", id: "logout", on: { click: () => void out(false) } }, "Log out"),
        h("button", { type: "button", class: "act", id: "logout-all", on: { click: () => void out(true) } }, "Log out everywhere"))),
      !me.openid && h("section", { class: "own" }, h("h2", null, "Password"), change.el),
      h("section", { class: "own" }, h("h2", null, "Tokens"), h("p", { class: "lead" }, "A token lets a program ask in your name, with no more than the role that you give it."),
        h("table", { class: "people", "aria-label": "Tokens" }, list), trouble, made, token.el));
    void load();
  };
  if (s) draw();
  else void readSession().then(draw, () => undefined);
  return { title: "Your account", close: () => undefined };
};
