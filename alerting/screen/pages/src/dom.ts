// Makes elements. Text is always text, never markup.

export type Child = Node | string | number | null | undefined | false | Child[];

type Handler = (ev: never) => void;

export interface Attributes {
  class?: string;
  data?: Record<string, string | number | boolean | undefined>;
  on?: Record<string, Handler>;
  [name: string]: unknown;
}

export function h<K extends keyof HTMLElementTagNameMap>(tag: K, attributes?: Attributes | null, ...children: Child[]): HTMLElementTagNameMap[K] {
  const el = document.createElement(tag);
  dress(el, attributes);
  append(el, children);
  return el;
}

const svgNS = "http://www.w3.org/2000/svg";

export function svg(tag: string, attributes?: Attributes | null, ...children: Child[]): SVGElement {
  const el = document.createElementNS(svgNS, tag);
  dress(el, attributes);
  append(el, children);
  return el;
}

function dress(el: HTMLElement | SVGElement, attributes?: Attributes | null): void {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "data") {
      for (const [k, v] of Object.entries(value as object)) if (v !== undefined) el.dataset[k] = String(v);
    } else if (name === "on") {
      for (const [k, f] of Object.entries(value as object)) el.addEventListener(k, f as EventListener);
    } else {
      el.setAttribute(name, value === true ? "" : String(value));
    }
  }
}

export function append(el: Node, children: Child[]): void {
  for (const c of children) {
    if (Array.isArray(c)) append(el, c);
    else if (c instanceof Node) el.appendChild(c);
    else if (c !== null && c !== undefined && c !== false) el.appendChild(document.createTextNode(String(c)));
  }
}

/** Replaces all that is inside el. */
export function fill(el: Element, ...children: Child[]): void {
  el.replaceChildren();
  append(el, children);
}

/**
 * Brings the children of el to the given order, with as few moves as may be, so
 * that what has the focus keeps it, and removes all others.
 */
export function arrange(el: Element, wanted: Element[]): void {
  const keep = new Set(wanted);
  for (const c of [...el.children]) if (!keep.has(c)) c.remove();
  let at = el.firstElementChild;
  for (const w of wanted) {
    if (w === at) at = at.nextElementSibling;
    else el.insertBefore(w, at);
  }
}

/** Calls f at once, then at most every ms; a call in between is made up for at the end. */
export function throttle(f: () => void, ms: number): { (): void; cancel(): void } {
  let timer = 0;
  let again = false;
  const run = (): void => {
    f();
    timer = window.setTimeout(() => {
      timer = 0;
      if (again) {
        again = false;
        run();
      }
    }, ms);
  };
  const call = (): void => {
    if (timer) again = true;
    else run();
  };
  call.cancel = (): void => {
    window.clearTimeout(timer);
    timer = 0;
    again = false;
  };
  return call;
}

/** Something chosen that the browser remembers. */
export function remembered(key: string): string | null {
  try {
    return localStorage.getItem("throwline." + key);
  } catch {
    return null;
  }
}

export function remember(key: string, value: string | null): void {
  try {
    if (value === null) localStorage.removeItem("throwline." + key);
    else localStorage.setItem("throwline." + key, value);
  } catch {
    // No storage here: the choice lasts as long as the page.
  }
}
