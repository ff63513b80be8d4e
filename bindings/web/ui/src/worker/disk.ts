/** One file of the origin's private file system, as the core uses it. */
export class File {
  #handle: FileSystemSyncAccessHandle;

  constructor(handle: FileSystemSyncAccessHandle) {
    this.#handle = handle;
  }

  size(): number {
    return this.#handle.getSize();
  }

  read(at: number, length: number): Uint8Array {
    const bytes = new Uint8Array(Math.max(0, Math.min(length, this.#handle.getSize() - at)));
    const count = this.#handle.read(bytes, { at });
    return count < bytes.length ? bytes.subarray(0, count) : bytes;
  }

  write(at: number, bytes: Uint8Array): void {
    const written = this.#handle.write(bytes as Uint8Array<ArrayBuffer>, { at });
    // A short write is what a full disk looks like to some browsers.
    if (written !== bytes.length) throw new DOMException('not all bytes were written', 'QuotaExceededError');
  }

  cut(length: number): void {
    this.#handle.truncate(length);
  }

  flush(): void {
    this.#handle.flush();
  }
}

const PATIENCE_MS = 5_000;

/** Opens a file for this worker alone. Handles of a worker that has just ended are let go a moment later. */
async function exclusive(folder: FileSystemDirectoryHandle, name: string): Promise<File> {
  const file = await folder.getFileHandle(name, { create: true });
  const until = performance.now() + PATIENCE_MS;
  for (;;) {
    try {
      return new File(await file.createSyncAccessHandle());
    } catch (error) {
      const isBusy = error instanceof DOMException && error.name === 'NoModificationAllowedError';
      if (!isBusy || performance.now() > until) throw error;
      await new Promise((done) => setTimeout(done, 25));
    }
  }
}

/** Opens the two files of the log. */
export async function open(): Promise<[File, File]> {
  const root = await navigator.storage.getDirectory();
  const folder = await root.getDirectoryHandle('embertally', { create: true });
  return [await exclusive(folder, 'log-a'), await exclusive(folder, 'log-b')];
}
