/** Written as a sentence: a capital first, a full stop last. */
export function sentence(s: string): string {
  const t = s.trim();
  return t && t[0]!.toUpperCase() + t.slice(1) + (/[.!?…]$/.test(t) ? "" : ".");
}
