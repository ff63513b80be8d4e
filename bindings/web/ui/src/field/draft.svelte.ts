/** The volley that is being logged. Each tap is kept in the browser, so that a closed tab forgets none of it. */
const KEY = 'embertally/draft';

export type Wiring = 'single' | 'series' | 'parallel' | 'series-parallel';

export type Delay =
  | { by: 'clip'; pulse: number; light: number; fps: number }
  | { by: 'stopwatch'; ms: number; within_ms: number }
  | { by: 'stated'; low_ms: number; high_ms: number };

export interface Seen {
  ignition?: string;
  transfer?: string;
  delay?: Delay;
  delayText?: string;
  strength?: number;
  cause?: string;
  note?: string;
  lot?: string;
  unit?: string;
}

export interface Draft {
  module: string | null;
  channel: number | null;
  lot: string | null;
  fuse: string | null;
  wiring: Wiring;
  strings: number;
  hasUnits: boolean;
  firstUnit: number;
  retry: boolean;
  shots: Seen[];
  at: number;
  last: number | null;
  /** The request of a save that was begun and not answered yet: it is asked again, whatever happened to the page. */
  pending: object | null;
}

function empty(): Draft {
  return {
    module: null, channel: null, lot: null, fuse: null, wiring: 'series', strings: 2, hasUnits: true, firstUnit: 1, retry: false,
    shots: Array.from({ length: 10 }, () => ({})), at: 0, last: null, pending: null,
  };
}

function kept(): Draft | undefined {
  try {
    const text = localStorage.getItem(KEY);
    return text === null ? undefined : { ...empty(), ...(JSON.parse(text) as Draft) };
  } catch {
    return undefined;
  }
}

export const draft = $state<Draft>(kept() ?? empty());
export const wasKept = kept() !== undefined;

const past: string[] = [];
export const history = $state({ steps: 0 });

/** Notes how it stands before a change, to be taken back to. */
export function mark(): void {
  past.push(JSON.stringify([draft.shots, draft.at, draft.last]));
  if (past.length > 200) past.shift();
  history.steps = past.length;
}

export function undo(): boolean {
  const before = past.pop();
  history.steps = past.length;
  if (before === undefined) return false;
  [draft.shots, draft.at, draft.last] = JSON.parse(before) as [Seen[], number, number | null];
  return true;
}

export function keep(): void {
  localStorage.setItem(KEY, JSON.stringify(draft));
}

/** Lays out the next volley: all as before, nothing said yet. */
export function next(firstUnit: number | undefined): void {
  past.length = 0;
  history.steps = 0;
  draft.shots = draft.shots.map(() => ({}));
  draft.at = 0;
  draft.last = null;
  draft.pending = null;
  draft.retry = false;
  if (firstUnit !== undefined) draft.firstUnit = firstUnit;
  if (draft.channel !== null) draft.channel += 1;
  keep();
}

export function resize(count: number): void {
  const shots = draft.shots.slice(0, count);
  while (shots.length < count) shots.push({});
  draft.shots = shots;
  draft.at = Math.min(draft.at, count - 1);
  if (draft.last !== null && draft.last >= count) draft.last = null;
  if (count === 1) draft.wiring = 'single';
  else if (draft.wiring === 'single') draft.wiring = 'series';
  draft.strings = Math.max(2, Math.min(draft.strings, count));
}

/** How long the strings are: as equal as can be. */
export function strings(): number[] {
  if (draft.wiring !== 'series-parallel') return [];
  const [n, k] = [draft.shots.length, Math.min(draft.strings, draft.shots.length)];
  return Array.from({ length: k }, (_, i) => Math.floor(n / k) + (i < n % k ? 1 : 0));
}

export function unitOf(index: number): string | null {
  const own = draft.shots[index]?.unit;
  if (own !== undefined && own !== '') return own;
  return draft.hasUnits ? String(draft.firstUnit + index) : null;
}
