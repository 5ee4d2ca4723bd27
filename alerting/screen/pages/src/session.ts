// Who is logged in, and what the accounts' part of the API speaks.

import type { components } from "../made/api.d.ts";
import { get, Problem, type List } from "./api.ts";
import { self } from "./api/http.ts";

export type Role = Person["role"];

/** From the least; each may do all that those before it may. */
export const roles: readonly Role[] = ["viewer", "operator", "maintainer", "administrator"];

/** What a role may do, in words. */
export const roleWords: Record<Role, string> = {
  viewer: "sees everything",
  operator: "also handles alerts",
  maintainer: "also records work and starts baselines anew",
  administrator: "also sees to people",
};

type Shapes = components["schemas"];

export type Person = Shapes["Person"];
export type Session = Shapes["SessionView"];
export type Invited = Shapes["Invited"];
export type Token = Shapes["Token"];
export type NewToken = Shapes["NewToken"];
export type Audited = Shapes["Audited"];
export type Audit = List<Audited>;

let known: Session | undefined;

/** Asks who is logged in. */
export async function readSession(): Promise<Session> {
  known = await get<Session>("/session");
  self.name = known.user?.name ?? "";
  document.dispatchEvent(new CustomEvent("session"));
  return known;
}

/** Who was logged in when it was last asked. */
export const session = (): Session | undefined => known;

/** Whether the one who is logged in may do what needs the role; everyone may where nobody logs in. */
export function may(least: Role): boolean {
  if (!known) return false;
  return known.access === "open" || roles.indexOf(known.role ?? ("" as Role)) >= roles.indexOf(least);
}

/** Whether actions are recorded under the name of who is logged in. */
export const named = (): boolean => known?.access === "accounts";

/** The path to go to after the login: one of ours only. */
export function nextPath(): string {
  const next = new URLSearchParams(location.search).get("next") ?? "/";
  return /^\/(?![/\\])/.test(next) && !/[\\\s]/.test(next) ? next : "/";
}

export const toLogin = (): void => {
  const here = location.pathname + location.search;
  location.assign(here === "/" ? "/login" : "/login?next=" + encodeURIComponent(here));
};

export const unknown = (err: unknown): boolean => err instanceof Problem && err.status === 401;

/** A link as it can be given away: without a public address the server knows only its path. */
export const wholeLink = (link: string): string => (link.startsWith("/") ? location.origin + link : link);
