// Who comes in: the login, and the page of a link on which a password is chosen.

import { post, Problem } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { field, form, password, text } from "../form.ts";
import type { Draw } from "../page.ts";
import { sentence } from "../sentence.ts";
import { nextPath, readSession } from "../session.ts";

export const loginPage: Draw = (root, _yard, _args, signal) => {
  const body = h("div", { class: "entrance" });
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Log in")), body);
  const draw = async (): Promise<void> => {
    try {
      const s = await readSession();
      if (signal.aborted) return;
      if (s.access === "open" || s.user) {
        location.replace(nextPath());
        return;
      }
      const name = field("name", "Name", text("login-name", { name: "username", autocomplete: "username", maxlength: 256 }));
      const secret = password("login-password", "password", "Password", "current-password");
      const f = form("login", [name, secret], "Log in", "Not logged in.", async () => {
        try {
          await post("/session", { name: name.input.value, password: secret.input.value });
        } catch (err) {
          if (err instanceof Problem && err.status === 401) {
            (secret.input as HTMLInputElement).value = "";
            secret.input.focus();
          }
          throw err;
        }
        location.assign(nextPath());
      });
      fill(body,
        s.setup && h("p", { class: "lead", id: "needs-setup" }, "There is no administrator yet. When it started, the program printed a link under ", h("b", null, "Set up"), ": open it to make the first one."),
        f.el,
        s.openid && h("p", null, h("a", { class: "act", id: "login-openid", href: "/login/openid?next=" + encodeURIComponent(nextPath()) }, "Log in at your organisation")),
        !s.setup && h("p", { class: "soft" }, "Forgotten? An administrator can make you a link for a new password."));
      name.input.focus();
    } catch (err) {
      if (!signal.aborted) fill(body, failure(err, "The login cannot be shown.", () => void draw()));
    }
  };
  void draw();
  return { title: "Log in", close: () => undefined };
};

interface LinkView {
  kind: "setup" | "own";
  name?: string;
}

export const welcomePage: Draw = (root, _yard, _args, signal) => {
  // What stands after # never reaches a server's log.
  const link = location.hash.slice(1);
  const title = h("h1", { tabindex: -1 }, "Choose a password");
  const body = h("div", { class: "entrance" });
  fill(root, h("div", { class: "head" }, title), body);
  const draw = async (): Promise<void> => {
    try {
      const v = await post<LinkView>("/session/link", { link });
      if (signal.aborted || !v) return;
      const setup = v.kind === "setup";
      if (setup) title.textContent = "Make the first administrator";
      const name = field("name", "Name", text("welcome-name", { name: "username", autocomplete: "username", maxlength: 64, value: v.name ?? "", readonly: !setup }),
        setup ? "To log in with: 1 to 64 of a-z 0-9 . _ @ + -" : "");
      const display = field("display", "How you are called", h("input", { id: "welcome-display", autocomplete: "name", maxlength: 128 }), "May be left empty.");
      const secret = password("welcome-password", "password", "Password", "new-password", "At least 12 characters; a few words do well. No other rule but that it is not the name.");
      const f = form("welcome", setup ? [name, display, secret] : [name, secret], setup ? "Make the administrator" : "Choose this password", "This did not work.", async () => {
        await post("/session/redeem", { link, password: secret.input.value, ...(setup ? { name: name.input.value, display: display.input.value.trim() || undefined } : {}) });
        location.assign("/");
      });
      fill(body, setup && h("p", { class: "lead" }, "Administrators make accounts for all others, and see what was done by whom."), f.el);
      (setup ? name : secret).input.focus();
    } catch (err) {
      if (!signal.aborted) fill(body, failure(err instanceof Problem ? new Problem(err.status, sentence(err.message), err.details) : err, "This link cannot be used."), h("p", null, h("a", { href: "/login" }, "To the login")));
    }
  };
  void draw();
  return { title: "Welcome", close: () => undefined };
};
