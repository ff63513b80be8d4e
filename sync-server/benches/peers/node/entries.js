// The job: 8 devices with 100 entries each, one byte string of 250 bytes an entry.
//
// The bytes are made, not taken from a log: 100 bytes that every entry shares (as keys and ids of a volley are) and 150
// of a seeded generator (as ids, times and readings are), so that a compressor gains as little as on measured values.
export const DEVICES = 8
export const EACH = 100
const SHARED = 100
const OWN = 150

/** xorshift32: the same bytes in every run and in the Rust peer. */
export function* stream(seed) {
  let x = seed >>> 0
  for (;;) {
    x ^= x << 13
    x >>>= 0
    x ^= x >>> 17
    x ^= x << 5
    x >>>= 0
    yield x & 0xff
  }
}

const take = (bytes, n) => Uint8Array.from({ length: n }, () => bytes.next().value)

/** Returns a device's entries as pairs of key and bytes. */
export function entries(device) {
  const shared = take(stream(1), SHARED)
  const own = stream(1000 + device)
  return Array.from({ length: EACH }, (_, n) => {
    const bytes = new Uint8Array(SHARED + OWN)
    bytes.set(shared)
    bytes.set(take(own, OWN), SHARED)
    return [`d${device}e${String(n).padStart(3, "0")}`, bytes]
  })
}
