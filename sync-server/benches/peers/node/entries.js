// The job: 8 devices with 100 entries each, one byte string of 250 bytes an entry.
//
// The bytes are made, not taken from a log: 150 bytes that every entry shares and 100 of a seeded generator. Our own log
// sends about 124 bytes for each of the 6,400 deliveries (0.79 MB), so 100 bytes that no compressor can shorten leave
// the peers room to do as well.
export const DEVICES = 8
export const EACH = 100
const SHARED = 150
const OWN = 100

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
