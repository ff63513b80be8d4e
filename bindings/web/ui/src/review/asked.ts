/** What a view's address asks of the core. */
const GROUPS = ['outing', 'lot', 'fuse', 'module', 'type', 'wiring', 'wet', 'temperature', 'humidity', 'wind'];

export function asked(section: string, params: URLSearchParams, narrow: boolean): object {
  const only = [...params].filter(([name]) => GROUPS.includes(name));
  const percent = Number(params.get('tolerable') ?? '2');
  return {
    section, only, narrow, measure: params.get('measure'), tolerable: Number.isFinite(percent) ? percent / 100 : null,
    interval: params.get('interval'), along: params.get('along'),
  };
}
