import type { Answer, Ask, FromPage, Meeting, Refusal, Role, ToPage } from './protocol';

/** Why something was refused. */
export class Refused extends Error {
  code: string;
  constructor(refusal: Refusal) {
    super(refusal.text);
    this.code = refusal.code;
  }
}

interface Waiting {
  ask: Ask;
  done(answer: Answer): void;
}

/** What makes one writing request itself, however often it has to be asked. */
export function key(): { key: string; at_ms: number; offset_minutes: number } {
  const now = new Date();
  return { key: crypto.randomUUID(), at_ms: now.getTime(), offset_minutes: -now.getTimezoneOffset() };
}

/** How long a worker may take to say that it is there. */
const BIRTH_MS = 20_000;

/** After how many ends during a meeting the page stays apart from the server. */
const MOST_ENDS = 2;

/**
 * The page's side of its worker. If the worker ends, by a trap or by the system, a new one is begun and asked again what
 * the old one did not answer; writing requests carry their own key, so nothing is written twice.
 */
export class Desk {
  #worker: Worker | undefined;
  #waiting = new Map<number, Waiting>();
  #next = 1;
  #endsInMeeting = 0;
  #unborn: ReturnType<typeof setTimeout> | undefined;
  /** How often a worker was begun. */
  lives = 0;
  /** How long the log took to be read, in milliseconds. */
  took: number | undefined;
  onrole: (role: Role, why?: Refusal) => void = () => undefined;
  onchange: (revision: number, meeting: Meeting) => void = () => undefined;

  begin(): void {
    this.lives += 1;
    const worker = new Worker(new URL('../worker/main.ts', import.meta.url), { type: 'module', name: 'embertally' });
    const lock = `embertally/worker/${crypto.randomUUID()}`;
    this.#worker = worker;
    this.#unborn = setTimeout(() => this.#again(worker), BIRTH_MS);
    worker.onmessage = ({ data }: MessageEvent<ToPage>) => this.#take(worker, lock, data);
    worker.onerror = () => this.#again(worker);
    this.#post({ to: 'begin', lock, apart: this.#endsInMeeting >= MOST_ENDS });
    for (const [id, { ask }] of this.#waiting) this.#post({ to: 'ask', id, ask });
  }

  #take(worker: Worker, lock: string, message: ToPage): void {
    if (worker !== this.#worker) return;
    switch (message.from) {
      case 'alive':
        // It holds its lock: whoever gets that lock next knows that it has ended.
        clearTimeout(this.#unborn);
        void navigator.locks.request(lock, () => this.#again(worker));
        break;
      case 'answer': {
        const waiting = this.#waiting.get(message.id);
        this.#waiting.delete(message.id);
        waiting?.done(message.answer);
        break;
      }
      case 'role':
        this.took = message.took ?? this.took;
        this.onrole(message.role, message.why);
        break;
      case 'changed':
        this.onchange(message.revision, message.meeting);
        break;
      case 'dead':
        if (['hear', 'meet', 'tick'].includes(message.during)) this.#endsInMeeting += 1;
        this.#again(worker);
        break;
    }
  }

  #again(worker: Worker): void {
    if (worker !== this.#worker) return;
    worker.terminate();
    this.#worker = undefined;
    this.onrole('starting');
    setTimeout(() => this.begin(), Math.min(1000, 20 * 2 ** Math.min(this.lives, 6)));
  }

  #post(message: FromPage): void {
    this.#worker?.postMessage(message);
  }

  #ask(ask: Ask): Promise<Answer> {
    const id = this.#next++;
    return new Promise((resolve, reject) => {
      this.#waiting.set(id, {
        ask,
        done: (answer) => ('refused' in answer ? reject(new Refused(answer.refused)) : resolve(answer)),
      });
      this.#post({ to: 'ask', id, ask });
    });
  }

  /** Does a command of the core. */
  async call<T>(command: string, args: object = {}): Promise<T> {
    const answer = await this.#ask({ kind: 'call', command, args: JSON.stringify(args) });
    return JSON.parse('text' in answer ? answer.text : '{}') as T;
  }

  async carry(): Promise<Uint8Array> {
    const answer = await this.#ask({ kind: 'carry' });
    return 'bytes' in answer ? answer.bytes : new Uint8Array();
  }

  async absorb<T>(file: Uint8Array): Promise<T> {
    const answer = await this.#ask({ kind: 'absorb', file });
    return JSON.parse('text' in answer ? answer.text : '{}') as T;
  }

  /** The network came back, or went. */
  network(online: boolean): void {
    this.#post({ to: 'network', online });
  }

  /** The crew is another. */
  crewChanged(): void {
    this.#post({ to: 'crew' });
  }

  /** Ends the worker as a fault would, for tests of what follows. */
  endWorker(how: 'trap' | 'kill'): void {
    if (how === 'kill') this.#worker?.terminate();
    else this.#post({ to: 'ask', id: -1, ask: { kind: 'trap' } });
  }
}
