/**
 * The worker of one tab. Of all tabs one worker has the log: the one that holds the lock. The others hand what they are
 * asked to that one, and take its place when it is gone.
 */
import init, { Desk } from '../wasm/embertally_web.js';
import type { Answer, Ask, FromPage, Refusal, Shared, ToPage } from '../lib/protocol';
import { clock } from './clock';
import { open } from './disk';
import { Line, type Keeper } from './socket';

const LOCK = 'embertally/log';
const me = crypto.randomUUID();
const others = new BroadcastChannel('embertally');

let keeper: Owner | undefined;
/** What this tab asked and was not answered yet; asked again of whoever has the log next. */
const pending = new Map<number, Ask>();

function tellPage(message: ToPage): void {
  postMessage(message);
}

function tellOthers(message: Shared): void {
  others.postMessage(message);
}

function refusal(error: unknown): Refusal {
  if (typeof error === 'string') {
    try {
      return JSON.parse(error) as Refusal;
    } catch {
      return { code: 'E_INTERNAL', text: error };
    }
  }
  return { code: 'E_INTERNAL', text: String(error) };
}

class Owner implements Keeper {
  desk: Desk;
  line: Line;
  #dead = false;
  #told = '';

  constructor(desk: Desk) {
    this.desk = desk;
    this.line = new Line(this);
  }

  /** A trap leaves the instance unusable: nothing more is asked of it, and the page begins a new worker. */
  guarded(during: string, work: () => void): boolean {
    if (this.#dead) return false;
    try {
      work();
    } catch (error) {
      if (error instanceof WebAssembly.RuntimeError) {
        this.#dead = true;
        tellPage({ from: 'dead', during });
        return false;
      }
      if (during !== 'ask') this.line.trouble = refusal(error).text;
      else throw error;
    }
    this.#tell();
    return true;
  }

  #tell(): void {
    const revision = this.desk.revision();
    const meeting = this.line.meeting();
    const now = `${revision} ${JSON.stringify(meeting)}`;
    if (now === this.#told) return;
    this.#told = now;
    tellPage({ from: 'changed', revision, meeting });
    tellOthers({ say: 'changed', revision, meeting });
  }

  tellAnyway(): void {
    this.#told = '';
    this.guarded('tell', () => undefined);
  }

  /** Answers, or does not where it trapped: whoever asked asks again. */
  answer(ask: Ask): Answer | undefined {
    let answer: Answer | undefined;
    try {
      const done = this.guarded('ask', () => {
        answer = this.#do(ask);
      });
      if (done) this.line.flush();
      return answer;
    } catch (error) {
      return { refused: refusal(error) };
    }
  }

  #do(ask: Ask): Answer {
    switch (ask.kind) {
      case 'call':
        return { text: this.desk.call(ask.command, ask.args, ...clock()) };
      case 'carry':
        return { bytes: this.desk.carry() };
      case 'absorb':
        return { text: this.desk.absorb(ask.file, ...clock()) };
      case 'trap':
        this.desk.trap();
        return { text: '{}' };
    }
  }
}

function ask(id: number, what: Ask): void {
  pending.set(id, what);
  if (keeper === undefined) {
    tellOthers({ say: 'ask', guest: me, id, ask: what });
    return;
  }
  const answer = keeper.answer(what);
  if (answer !== undefined) answered(id, answer);
}

function answered(id: number, answer: Answer): void {
  if (pending.delete(id)) tellPage({ from: 'answer', id, answer });
}

function askAgain(): void {
  for (const [id, what] of [...pending]) ask(id, what);
}

others.onmessage = ({ data }: MessageEvent<Shared>) => {
  switch (data.say) {
    case 'who':
      if (keeper !== undefined) {
        tellOthers({ say: 'owner' });
        keeper.tellAnyway();
      }
      break;
    case 'owner':
      if (keeper === undefined) {
        tellPage({ from: 'role', role: 'guest' });
        askAgain();
      }
      break;
    case 'ask': {
      const answer = keeper?.answer(data.ask);
      if (answer !== undefined) tellOthers({ say: 'answer', guest: data.guest, id: data.id, answer });
      break;
    }
    case 'answer':
      if (data.guest === me) answered(data.id, data.answer);
      break;
    case 'changed':
      if (keeper === undefined) tellPage({ from: 'changed', revision: data.revision, meeting: data.meeting });
      break;
    case 'crew':
      keeper?.line.wake(true);
      break;
  }
};

async function own(apart: boolean): Promise<void> {
  const [, [a, b]] = await Promise.all([init(), open()]);
  const began = performance.now();
  keeper = new Owner(new Desk(a, b, ...clock()));
  tellPage({ from: 'role', role: 'owner', took: performance.now() - began });
  tellOthers({ say: 'owner' });
  keeper.tellAnyway();
  askAgain();
  if (apart) {
    keeper.line.stuck = true;
    keeper.line.trouble = 'What the server sends made this page stop twice. It stays apart; what is logged is kept.';
    keeper.tellAnyway();
  } else {
    keeper.line.wake();
  }
}

/** Holds a lock for as long as this worker lives, so that the page learns at once when it does not any more. */
function live(lock: string): void {
  void navigator.locks.request(lock, () => {
    tellPage({ from: 'alive' });
    return new Promise(() => undefined);
  });
}

onmessage = ({ data }: MessageEvent<FromPage>) => {
  switch (data.to) {
    case 'begin':
      live(data.lock);
      tellOthers({ say: 'who' });
      void navigator.locks.request(LOCK, async () => {
        try {
          await own(data.apart);
        } catch (error) {
          const why = error instanceof DOMException ? unusable(error) : refusal(error);
          tellPage({ from: 'role', role: 'failed', why });
        }
        await new Promise(() => undefined);
      });
      break;
    case 'ask':
      ask(data.id, data.ask);
      break;
    case 'network':
      if (data.online) keeper?.line.wake();
      else keeper?.line.drop('This device has no network.');
      break;
    case 'crew':
      if (keeper === undefined) tellOthers({ say: 'crew' });
      else keeper.line.wake(true);
      break;
  }
};

function unusable(error: DOMException): Refusal {
  const text =
    error.name === 'NoModificationAllowedError'
      ? 'Another page has the log open and does not let go of it. Close the other tabs of Embertally, then load this page anew.'
      : `This browser gives no place to keep a log (${error.name}). A private window often gives none: use an ordinary one.`;
  return { code: 'E_STORE_BROWSER', text };
}
