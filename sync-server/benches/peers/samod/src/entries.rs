//! The same entries as `node/entries.js` makes.

pub const DEVICES: usize = 8;
pub const EACH: usize = 100;
const SHARED: usize = 150;
const OWN: usize = 100;

struct Stream(u32);

impl Stream {
    fn take(&mut self, n: usize) -> Vec<u8> {
        let mut next = || {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 17;
            self.0 ^= self.0 << 5;
            self.0 as u8
        };
        (0..n).map(|_| next()).collect()
    }
}

/// Returns a device's entries as pairs of key and bytes.
pub fn entries(device: usize) -> Vec<(String, Vec<u8>)> {
    let shared = Stream(1).take(SHARED);
    let mut own = Stream(1000 + device as u32);
    (0..EACH).map(|n| (format!("d{device}e{n:03}"), [shared.clone(), own.take(OWN)].concat())).collect()
}
