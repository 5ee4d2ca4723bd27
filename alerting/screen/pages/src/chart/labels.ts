// Finds room for labels beside each other.

export interface Label {
  /** Where it points, in px. */
  at: number;
  /** How wide its text is, in px. */
  width: number;
}

export interface Place {
  /** Left edge of the text, in px. */
  left: number;
  /** 0 is nearest to the drawing; -1: there is no room. */
  row: number;
}

/**
 * Places labels in at most rows rows between left and right: each as near to
 * the drawing as there is room, centred on where it points, or beginning there
 * (flush). Labels that come first are placed first.
 */
export function placeLabels(labels: Label[], left: number, right: number, rows: number, gap: number, flush = false): Place[] {
  const taken: [number, number][][] = Array.from({ length: rows }, () => []);
  return labels.map(({ at, width }) => {
    const start = Math.max(left, Math.min(flush ? at : at - width / 2, right - width));
    const row = taken.findIndex((spans) => spans.every(([a, b]) => start + width + gap <= a || start >= b + gap));
    if (row >= 0) taken[row]!.push([start, start + width]);
    return { left: start, row };
  });
}
