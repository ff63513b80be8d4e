/** What the core answers, as far as the screens look into it. */
import type { Meeting } from './protocol';

export interface Named {
  id: string;
  name: string;
}

export interface DeviceState {
  revision: number;
  device: string;
  device_name: string;
  observer: Named | null;
  outing: Named | null;
  shots: number;
  live: number;
  unseen: number;
  disputes: number;
  problems: string[];
  cautions: string[];
  crew: { crew: string } | null;
  invented: boolean;
  meeting: Meeting;
}

export interface Outing extends Named {
  kind: string;
  wait_minutes: number | null;
  slow_limit_ms: number | null;
}

export interface LotChoice {
  name: string;
  next_unit: number;
  past_use_by: string | null;
}

export interface FieldChoices {
  outing: string | null;
  outings: Outing[];
  lots: LotChoice[];
  fuses: { name: string }[];
  modules: { name: string; channels: number | null }[];
  people: Named[];
  observer: string | null;
  last: {
    module: string | null;
    channel: number | null;
    wiring: string;
    strings: number[];
    shots: number;
    lot: string;
    fuse: string | null;
    has_units: boolean;
  } | null;
}

export interface LoggedShot {
  lot: string;
  unit: string | null;
  fuse: string | null;
  attempt: number;
  ignition: string | null;
  transfer: string | null;
  disputed: boolean;
  live: string | null;
  cause: string | null;
}

export interface LoggedVolley {
  volley: string;
  short: string;
  at_ms: number | null;
  wiring: string;
  strings: number[];
  module: string | null;
  channel: number | null;
  own: boolean;
  device: string;
  observers: string[];
  shots: LoggedShot[];
}

export interface ShotPlace {
  shot: string;
  short: string;
  position: number;
  outing: string;
  place: string;
  lot: string;
  unit: string | null;
  fuse: string | null;
  fired_at_ms: number | null;
  wait_minutes: number | null;
  wait_until_ms: number | null;
}

export interface LiveRow extends ShotPlace {
  why: string;
}

export interface SafeRow extends ShotPlace {
  by: string | null;
  at_ms: number | null;
  how: string | null;
}

export interface LiveList {
  cautions: string[];
  nothing: string | null;
  live: number;
  groups: { outing: string; id: string; wait_minutes: number | null; rows: LiveRow[] }[];
  unseen: LiveRow[];
  made_safe: SafeRow[];
  incomplete: string[];
}

export interface Table {
  caption: string;
  columns: { label: string; numeric: boolean }[];
  rows: string[][];
}

export interface Figure {
  heading: string;
  words: string[];
  drawing: string | null;
  key: string | null;
  table: Table | null;
}

export interface MeasureRow {
  measure: string;
  verdict: string;
  class: string;
  counts: string;
  open: number;
  rate: string;
  interval: string;
  above: string;
  together: string;
  worse_than_rest: boolean;
  low_at: number;
  high_at: number;
  rate_at: number | null;
}

export interface PairingRow {
  lot: string | null;
  fuse: string | null;
  verdict: string;
  class: string;
  icon: string;
  sentence: string;
  past_use_by: string | null;
  clean_shots_needed: number | null;
  measures: MeasureRow[];
}

export interface DisputeRow {
  about: string;
  name: string;
  field: string;
  said: { fact: string; by: string; says: string }[];
  can_rule: boolean;
  shot: ShotPlace | null;
  rulings: number;
}

export interface Proposal {
  first: string;
  second: string;
  reason: string;
  first_volley: LoggedVolley | null;
  second_volley: LoggedVolley | null;
}

export interface Review {
  section: string;
  cautions: string[];
  incomplete: string[];
  shots: number;
  tolerable: number;
  figures: Figure[];
  pairings: { limit: number; limit_words: string; end_words: string; rows: PairingRow[]; together: string[] } | null;
  disputes: {
    rows: DisputeRow[];
    proposals: Proposal[];
    ignition: string[];
    transfer: string[];
    cause: string[];
  } | null;
}

export interface Filters {
  lot: string[];
  fuse: string[];
  outing: string[];
  module: string[];
  measure: string[];
}

export interface SavedAnswer {
  saved: boolean;
  text?: string;
  caution?: string;
  id?: string;
  volley?: string;
}
