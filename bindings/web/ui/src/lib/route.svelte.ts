/** Where the page is: `#/place/section?filters`. All of it stays in the browser: what is behind the # is sent to nobody. */
export const PLACES = ['field', 'live', 'review', 'crew'] as const;
export type Place = (typeof PLACES)[number];

export interface Invited {
  crew: string;
  token: string;
  pin: string;
  invented: boolean;
}

class Route {
  place = $state<Place>('field');
  section = $state('');
  params = $state.raw(new URLSearchParams());
  /** An invitation that was in the address, to be taken or not. */
  invited = $state.raw<Invited | undefined>();
}

export const route = new Route();

function read(): void {
  const hash = location.hash.slice(1);
  if (hash.startsWith('crew=') || hash.includes('&token=')) {
    const parts = new URLSearchParams(hash);
    const [crew, token, pin] = ['crew', 'token', 'pin'].map((name) => parts.get(name) ?? '');
    route.invited = { crew: crew ?? '', token: token ?? '', pin: pin ?? '', invented: parts.get('invented') === '1' };
    // The secret does not stay in the address, where it would be in the history and over the shoulder.
    history.replaceState(null, '', '#/field');
    return read();
  }
  const [path = '', query = ''] = hash.split('?');
  const [, place, section = ''] = path.split('/');
  route.place = PLACES.find((p) => p === place) ?? 'field';
  route.section = section;
  route.params = new URLSearchParams(query);
}

/** Returns the address of a place. */
export function to(place: Place, section = '', params?: URLSearchParams): string {
  const query = params?.toString() ?? '';
  return `#/${place}${section === '' ? '' : `/${section}`}${query === '' ? '' : `?${query}`}`;
}

/** Puts other filters into the address. */
export function filter(params: URLSearchParams): void {
  history.replaceState(null, '', to(route.place, route.section, params));
  read();
}

addEventListener('hashchange', read);
read();
