import type { Desk } from '../wasm/embertally_web.js';
import type { Meeting } from '../lib/protocol';
import { clock } from './clock';

const PROTOCOL = 'embertally-sync-1';
const FIRST_MS = 500;
const LONGEST_MS = 60_000;
const TICK_MS = 5_000;
const SESSION_MS = 10_000;
/** How long what was sent may stay without any answer before the line is taken for dead. */
const SILENCE_MS = 15_000;

/** What the line needs of whoever has the log. */
export interface Keeper {
  desk: Desk;
  /** Does something with the log that may trap, and tells everybody what changed. */
  guarded(during: string, work: () => void): boolean;
}

/** The line to the crew's server: it is made again whenever it is gone, for as long as this worker has the log. */
export class Line {
  #keeper: Keeper;
  #socket: WebSocket | undefined;
  #wait = FIRST_MS;
  #again: ReturnType<typeof setTimeout> | undefined;
  #dialling = false;
  #sentAt = 0;
  #heardAt = 0;
  trouble: string | undefined;
  stuck = false;

  constructor(keeper: Keeper) {
    this.#keeper = keeper;
    setInterval(() => {
      if (!this.#isOpen()) return;
      if (this.#sentAt > this.#heardAt && performance.now() - this.#sentAt > SILENCE_MS) this.drop('The server does not answer.');
      else this.#tell('tick', () => this.#keeper.desk.tick(...clock()));
    }, TICK_MS);
  }

  /** Tries at once: the network came back, or the crew is another. */
  wake(anew = false): void {
    if (anew) {
      this.stuck = false;
      this.#socket?.close();
    }
    if (this.stuck || this.#isOpen() || this.#dialling) return;
    this.#wait = FIRST_MS;
    clearTimeout(this.#again);
    void this.#dial();
  }

  /** Gives the line up, without waiting for a network that may be gone to say so. */
  drop(why: string): void {
    const socket = this.#socket;
    if (socket === undefined) return;
    this.#socket = undefined;
    socket.onopen = socket.onmessage = socket.onclose = null;
    socket.close();
    this.#keeper.guarded('part', () => this.#keeper.desk.part(...clock()));
    this.#later(why);
  }

  /** Sends what the conversation has to say. */
  flush(): void {
    if (!this.#isOpen()) return;
    for (const frame of this.#keeper.desk.frames()) {
      this.#socket?.send(frame as Uint8Array<ArrayBuffer>);
      // The first of those that wait for an answer counts.
      if (this.#sentAt <= this.#heardAt) this.#sentAt = performance.now();
    }
    this.#endIfOver();
  }

  meeting(): Meeting {
    const meeting = JSON.parse(this.#keeper.desk.meeting()) as Meeting;
    return { ...meeting, trouble: this.trouble, stuck: this.stuck };
  }

  #isOpen(): boolean {
    return this.#socket?.readyState === WebSocket.OPEN;
  }

  #endIfOver(): void {
    const over = (JSON.parse(this.#keeper.desk.meeting()) as Meeting).over;
    if (over === null) return;
    this.trouble = over.text;
    this.stuck = !over.may_pass;
    this.#socket?.close();
  }

  #tell(during: string, work: () => void): void {
    if (this.#keeper.guarded(during, work)) this.flush();
  }

  async #dial(): Promise<void> {
    this.#dialling = true;
    try {
      const known = JSON.parse(this.#keeper.desk.call('crew', '{"do":"reveal"}', ...clock())) as {
        invitation: { token: string } | null;
      };
      if (known.invitation === null) return;
      const refused = await this.#session(known.invitation.token);
      if (refused === undefined) this.#open();
      else this.#later(refused);
    } finally {
      this.#dialling = false;
    }
  }

  /** Trades the token for a cookie: a page cannot put a header on a socket. */
  async #session(token: string): Promise<string | undefined> {
    let response: Response;
    try {
      response = await fetch('/sync/session', {
        method: 'POST',
        headers: { authorization: `Bearer ${token}` },
        signal: AbortSignal.timeout(SESSION_MS),
      });
    } catch {
      return 'The server is out of reach.';
    }
    if (response.ok) return undefined;
    if (response.status === 401 || response.status === 403) {
      this.stuck = true;
      return 'The server does not know this invitation any more; ask for a new one.';
    }
    return `The server answers ${response.status} for now.`;
  }

  #open(): void {
    const scheme = location.protocol === 'https:' ? 'wss' : 'ws';
    const socket = new WebSocket(`${scheme}://${location.host}/sync`, [PROTOCOL]);
    socket.binaryType = 'arraybuffer';
    this.#socket = socket;
    socket.onopen = () => {
      this.trouble = undefined;
      this.#wait = FIRST_MS;
      this.#tell('meet', () => this.#keeper.desk.meet(...clock()));
    };
    socket.onmessage = (event: MessageEvent<ArrayBuffer>) => {
      this.#heardAt = performance.now();
      this.#tell('hear', () => this.#keeper.desk.hear(new Uint8Array(event.data), ...clock()));
    };
    socket.onclose = () => {
      if (this.#socket !== socket) return;
      this.#socket = undefined;
      this.#keeper.guarded('part', () => this.#keeper.desk.part(...clock()));
      this.#later(this.trouble ?? 'The server is out of reach.');
    };
  }

  #later(why: string): void {
    this.trouble = why;
    this.#keeper.guarded('part', () => undefined);
    if (this.stuck) return;
    clearTimeout(this.#again);
    this.#again = setTimeout(() => void this.#dial(), this.#wait * (0.75 + Math.random() / 2));
    this.#wait = Math.min(this.#wait * 2, LONGEST_MS);
  }
}
