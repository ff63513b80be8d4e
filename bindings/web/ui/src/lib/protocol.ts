/** What page and worker, and the workers of several tabs, say to each other. */

export interface Refusal {
  code: string;
  text: string;
}

/** Something to do: a command with JSON, or bytes in or out. */
export type Ask =
  | { kind: 'call'; command: string; args: string }
  | { kind: 'carry' }
  | { kind: 'absorb'; file: Uint8Array }
  | { kind: 'trap' };

export type Answer = { text: string } | { bytes: Uint8Array } | { refused: Refusal };

/** Who has the log: this tab, another one, or nobody yet. */
export type Role = 'starting' | 'owner' | 'guest' | 'failed';

export interface Meeting {
  stage: 'apart' | 'calling' | 'exchanging' | 'met' | 'over';
  waiting: number;
  left: number;
  met_at_ms: number | null;
  may_write: boolean;
  clock_ahead_ms: number;
  over: { code: string; text: string; may_pass: boolean } | null;
  /** Why the server is not met, in words, where that is known. */
  trouble?: string | undefined;
  /** Whether only a person can mend it. */
  stuck?: boolean | undefined;
}

export type FromPage =
  | { to: 'begin'; lock: string; apart: boolean }
  | { to: 'ask'; id: number; ask: Ask }
  | { to: 'network'; online: boolean }
  | { to: 'crew' };

export type ToPage =
  | { from: 'alive' }
  | { from: 'answer'; id: number; answer: Answer }
  | { from: 'role'; role: Role; why?: Refusal | undefined; took?: number | undefined }
  | { from: 'changed'; revision: number; meeting: Meeting }
  | { from: 'dead'; during: string };

/** Between the workers of several tabs. */
export type Shared =
  | { say: 'who' }
  | { say: 'owner' }
  | { say: 'ask'; guest: string; id: number; ask: Ask }
  | { say: 'answer'; guest: string; id: number; answer: Answer }
  | { say: 'changed'; revision: number; meeting: Meeting }
  | { say: 'crew' };
