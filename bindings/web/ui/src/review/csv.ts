import { app, desk } from '../lib/app.svelte';
import { download } from '../lib/words';

/** Hands one figure's table over as a file, numbers in full. */
export async function csv(request: object, figure: number): Promise<void> {
  try {
    const file = await desk.call<{ name: string; text: string }>('csv', { ...request, figure });
    download(file.name, file.text, 'text/csv;charset=utf-8');
    app.say(`${file.name} is handed to your downloads.`);
  } catch (error) {
    app.refused(error);
  }
}
