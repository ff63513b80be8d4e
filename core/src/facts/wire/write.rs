//! Writing CBOR maps whose keys ascend and whose absent fields are left out.

use minicbor::Encoder;

/// Builds one map: fields go into a buffer, the header with their number is written at the end.
pub(super) struct Fields {
    body: Encoder<Vec<u8>>,
    count: u64,
    last_key: Option<u64>,
}

/// Writing to a `Vec` cannot fail, which is the only way that the encoder can.
fn done<T, E>(result: Result<T, E>) {
    debug_assert!(result.is_ok());
}

impl Fields {
    pub(super) fn new() -> Self {
        Self { body: Encoder::new(Vec::new()), count: 0, last_key: None }
    }

    fn key(&mut self, key: u64) {
        debug_assert!(self.last_key.is_none_or(|last| last < key), "map keys ascend");
        self.last_key = Some(key);
        self.count += 1;
        done(self.body.u64(key));
    }

    pub(super) fn uint(mut self, key: u64, value: impl Into<u64>) -> Self {
        self.key(key);
        done(self.body.u64(value.into()));
        self
    }

    pub(super) fn opt_uint(self, key: u64, value: Option<impl Into<u64>>) -> Self {
        match value {
            Some(v) => self.uint(key, v),
            None => self,
        }
    }

    pub(super) fn opt_int(mut self, key: u64, value: Option<impl Into<i64>>) -> Self {
        if let Some(v) = value {
            self.key(key);
            done(self.body.i64(v.into()));
        }
        self
    }

    pub(super) fn bool(mut self, key: u64, value: bool) -> Self {
        self.key(key);
        done(self.body.bool(value));
        self
    }

    pub(super) fn text(mut self, key: u64, value: &str) -> Self {
        self.key(key);
        done(self.body.str(value));
        self
    }

    pub(super) fn opt_text(self, key: u64, value: Option<&String>) -> Self {
        match value {
            Some(v) => self.text(key, v),
            None => self,
        }
    }

    pub(super) fn bytes(mut self, key: u64, value: &[u8]) -> Self {
        self.key(key);
        done(self.body.bytes(value));
        self
    }

    pub(super) fn opt_bytes(self, key: u64, value: Option<&[u8; 16]>) -> Self {
        match value {
            Some(v) => self.bytes(key, v),
            None => self,
        }
    }

    /// Writes a field whose value is CBOR already.
    pub(super) fn raw(mut self, key: u64, cbor: &[u8]) -> Self {
        self.key(key);
        self.body.writer_mut().extend_from_slice(cbor);
        self
    }

    pub(super) fn opt_raw(self, key: u64, cbor: Option<Vec<u8>>) -> Self {
        match cbor {
            Some(c) => self.raw(key, &c),
            None => self,
        }
    }

    pub(super) fn finish(self) -> Vec<u8> {
        let mut map = Encoder::new(Vec::with_capacity(self.body.writer().len() + 1));
        done(map.map(self.count));
        let mut out = map.into_writer();
        out.extend_from_slice(self.body.writer());
        out
    }
}

/// Writes an array of items that are CBOR already.
pub(super) fn array<I: ExactSizeIterator<Item = Vec<u8>>>(items: I) -> Vec<u8> {
    let mut head = Encoder::new(Vec::new());
    done(head.array(items.len() as u64));
    let mut out = head.into_writer();
    items.for_each(|item| out.extend_from_slice(&item));
    out
}

/// Writes an array of integers.
pub(super) fn ints(values: &[i64]) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    done(e.array(values.len() as u64));
    values.iter().for_each(|v| done(e.i64(*v)));
    e.into_writer()
}

/// Writes one unsigned integer.
pub(super) fn uint(value: u64) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    done(e.u64(value));
    e.into_writer()
}

/// Writes one text.
pub(super) fn text(value: &str) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    done(e.str(value));
    e.into_writer()
}

/// Writes one byte string.
pub(super) fn bytes(value: &[u8]) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    done(e.bytes(value));
    e.into_writer()
}
