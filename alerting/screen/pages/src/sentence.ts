/** Written as a sentence: a capital first, a full stop last, no unit parted from its number. */
export function sentence(s: string): string {
  const t = s.trim().replace(/(\d) (?=(?:%|s|h|d|A|W|V|J|bar|mm|kN|°C|min|ms)(?:[^\w]|$))/g, "$1\u00a0");
  return t && t[0]!.toUpperCase() + t.slice(1) + (/[.!?…]$/.test(t) ? "" : ".");
}
