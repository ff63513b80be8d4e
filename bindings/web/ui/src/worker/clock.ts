/** The time as the core takes it: milliseconds since 1970, minutes east of UTC. */
export function clock(): [number, number] {
  const now = new Date();
  return [now.getTime(), -now.getTimezoneOffset()];
}
