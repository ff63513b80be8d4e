/** What the whole page shares: the desk, the device's state, what is said aloud. */
import { Desk, Refused } from './desk';
import type { Meeting, Refusal, Role } from './protocol';
import type { DeviceState } from './types';

export const desk = new Desk();

class App {
  role = $state<Role>('starting');
  failure = $state<Refusal | undefined>();
  state = $state.raw<DeviceState | undefined>();
  meeting = $state.raw<Meeting | undefined>();
  /** Grows whenever what a screen shows may have changed. */
  revision = $state(0);
  /** What was said last, for eyes and for screen readers. */
  said = $state<{ text: string; caution: string; bad: boolean; n: number } | undefined>();
  /** A new version waits to take over. */
  waiting = $state.raw<ServiceWorker | undefined>();
  /** Whether the browser promised to keep the data. */
  persisted = $state<boolean | undefined>();
  offlineReady = $state(false);

  #n = 0;
  #hush: ReturnType<typeof setTimeout> | undefined;

  say(text: string, caution = '', bad = false): void {
    this.#n += 1;
    this.said = { text, caution, bad, n: this.#n };
    clearTimeout(this.#hush);
    this.#hush = setTimeout(() => this.hush(), bad || caution !== '' ? 12_000 : 4_500);
  }

  hush(): void {
    this.said = undefined;
  }

  refused(error: unknown): void {
    const text = error instanceof Refused ? error.message : 'This did not work: ' + String(error);
    buzz([60, 60, 60]);
    this.say(text, '', true);
  }

  async refresh(): Promise<void> {
    try {
      const state = await desk.call<DeviceState>('state');
      this.state = state;
      this.meeting = { ...state.meeting, trouble: this.meeting?.trouble, stuck: this.meeting?.stuck };
      this.revision += 1;
    } catch (error) {
      this.refused(error);
    }
  }
}

export const app = new App();

/** Lets the device tremble, where it can. */
export function buzz(pattern: number | number[]): void {
  if (navigator.userActivation?.hasBeenActive !== false) navigator.vibrate?.(pattern);
}

let seen = -1;

desk.onrole = (role, why) => {
  app.role = role;
  app.failure = why;
  if (role === 'owner' || role === 'guest') void app.refresh();
};
desk.onchange = (revision, meeting) => {
  app.meeting = meeting;
  if (revision !== seen) {
    seen = revision;
    void app.refresh();
  }
};

/** Begins everything that goes on in the background. */
export function begin(): void {
  desk.begin();
  addEventListener('online', () => desk.network(true));
  addEventListener('offline', () => desk.network(false));
  document.addEventListener('visibilitychange', () => {
    if (!document.hidden) desk.network(navigator.onLine);
  });
  void worker();
  void navigator.storage?.persisted?.().then((kept) => {
    app.persisted = kept;
  });
}

/** Asks the browser to keep the data even when room is short; it may refuse. */
export async function askToKeep(): Promise<void> {
  app.persisted = (await navigator.storage?.persist?.()) ?? false;
}

async function worker(): Promise<void> {
  if (!('serviceWorker' in navigator) || import.meta.env.DEV) return;
  let reloading = false;
  const had = navigator.serviceWorker.controller !== null;
  navigator.serviceWorker.addEventListener('controllerchange', () => {
    // The first worker only begins to keep the page; a later one brings another page.
    if (!had && app.waiting === undefined) return;
    if (!reloading) {
      reloading = true;
      location.reload();
    }
  });
  try {
    const registration = await navigator.serviceWorker.register('/sw.js');
    const look = (): void => {
      if (registration.waiting !== null && navigator.serviceWorker.controller !== null) app.waiting = registration.waiting;
    };
    look();
    registration.addEventListener('updatefound', () => {
      const coming = registration.installing;
      coming?.addEventListener('statechange', look);
    });
    void navigator.serviceWorker.ready.then(() => {
      app.offlineReady = true;
    });
    document.addEventListener('visibilitychange', () => {
      if (!document.hidden && navigator.onLine) void registration.update().catch(() => undefined);
    });
  } catch {
    app.offlineReady = false;
  }
}

/** Lets the new version take over. */
export function takeOver(): void {
  app.waiting?.postMessage('take over');
}
