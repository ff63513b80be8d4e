//! Reading CBOR with every length, key order and limit checked.

use minicbor::Decoder;
use minicbor::data::Type;

use super::WireError;

/// Reads values from an entry's bytes.
pub(super) struct Reader<'b> {
    decoder: Decoder<'b>,
    length: usize,
}

impl<'b> Reader<'b> {
    pub(super) fn new(bytes: &'b [u8]) -> Self {
        Self { decoder: Decoder::new(bytes), length: bytes.len() }
    }

    pub(super) fn at(&self) -> usize {
        self.decoder.position()
    }

    fn malformed(&self, error: &minicbor::decode::Error) -> WireError {
        WireError::Malformed { at: self.at(), what: error.to_string() }
    }

    pub(super) fn wrong(&self, what: &str) -> WireError {
        WireError::Malformed { at: self.at(), what: what.to_owned() }
    }

    /// Refuses bytes after the end.
    pub(super) fn end(&self) -> Result<(), WireError> {
        if self.at() == self.length { Ok(()) } else { Err(self.wrong("there are bytes after the end of the entry")) }
    }

    pub(super) fn u64(&mut self) -> Result<u64, WireError> {
        self.decoder.u64().map_err(|e| self.malformed(&e))
    }

    pub(super) fn i64(&mut self) -> Result<i64, WireError> {
        self.decoder.i64().map_err(|e| self.malformed(&e))
    }

    /// Reads an unsigned integer that must fit the type wanted.
    pub(super) fn uint<T: TryFrom<u64>>(&mut self, field: &'static str) -> Result<T, WireError> {
        let at = self.at();
        T::try_from(self.u64()?).map_err(|_| WireError::OutOfRange { at, field })
    }

    /// Reads a signed integer that must fit the type wanted.
    pub(super) fn int<T: TryFrom<i64>>(&mut self, field: &'static str) -> Result<T, WireError> {
        let at = self.at();
        T::try_from(self.i64()?).map_err(|_| WireError::OutOfRange { at, field })
    }

    /// Reads a number that stands for a choice.
    pub(super) fn choice<T>(&mut self, field: &'static str, of: impl Fn(u64) -> Option<T>) -> Result<T, WireError> {
        let at = self.at();
        of(self.u64()?).ok_or(WireError::OutOfRange { at, field })
    }

    pub(super) fn bool(&mut self) -> Result<bool, WireError> {
        self.decoder.bool().map_err(|e| self.malformed(&e))
    }

    pub(super) fn text(&mut self) -> Result<String, WireError> {
        self.decoder.str().map(str::to_owned).map_err(|e| self.malformed(&e))
    }

    pub(super) fn bytes16(&mut self) -> Result<[u8; 16], WireError> {
        let bytes = self.decoder.bytes().map_err(|e| self.malformed(&e))?;
        bytes.try_into().map_err(|_| self.wrong("an id must be 16 bytes"))
    }

    /// Reads a byte string.
    pub(super) fn byte_string(&mut self) -> Result<&'b [u8], WireError> {
        self.decoder.bytes().map_err(|e| self.malformed(&e))
    }

    /// Reads a byte string of exactly the length wanted.
    pub(super) fn byte_array<const N: usize>(&mut self) -> Result<[u8; N], WireError> {
        let bytes = self.byte_string()?;
        bytes.try_into().map_err(|_| self.wrong(&format!("{N} bytes were expected")))
    }

    pub(super) fn next_is_uint(&self) -> bool {
        matches!(self.decoder.datatype(), Ok(Type::U8 | Type::U16 | Type::U32 | Type::U64))
    }

    /// Reads an array's length. Every item takes at least a byte, so a length beyond what is left is refused.
    pub(super) fn array(&mut self) -> Result<u64, WireError> {
        let n = self.decoder.array().map_err(|e| self.malformed(&e))?;
        self.definite(n)
    }

    fn definite(&self, n: Option<u64>) -> Result<u64, WireError> {
        match n {
            Some(n) if n <= (self.length - self.at()) as u64 => Ok(n),
            Some(_) => Err(self.wrong("a length goes beyond the end of the entry")),
            None => Err(self.wrong("lengths must be definite")),
        }
    }

    pub(super) fn array_of(&mut self, n: u64) -> Result<(), WireError> {
        if self.array()? == n { Ok(()) } else { Err(self.wrong("an array has the wrong number of items")) }
    }

    /// Reads an array of items.
    pub(super) fn items<T>(
        &mut self,
        mut item: impl FnMut(&mut Self) -> Result<T, WireError>,
    ) -> Result<Vec<T>, WireError> {
        let n = self.array()?;
        let mut out = Vec::new();
        for _ in 0..n {
            out.push(item(self)?);
        }
        Ok(out)
    }

    pub(super) fn skip(&mut self) -> Result<(), WireError> {
        self.decoder.skip().map_err(|e| self.malformed(&e))
    }

    /// Reads a map: `field` is called with each key in turn and says whether it knew the key; others are skipped.
    ///
    /// Keys must be unsigned integers in ascending order, so a map has one encoding and no key comes twice.
    pub(super) fn fields(
        &mut self,
        mut field: impl FnMut(u64, &mut Self) -> Result<bool, WireError>,
    ) -> Result<(), WireError> {
        let n = self.decoder.map().map_err(|e| self.malformed(&e))?;
        let n = self.definite(n)?;
        let mut last = None;
        for _ in 0..n {
            let key = self.u64()?;
            if last.is_some_and(|l| l >= key) {
                return Err(self.wrong("map keys must ascend"));
            }
            last = Some(key);
            if !field(key, self)? {
                self.skip()?;
            }
        }
        Ok(())
    }

    /// Returns a field's value, or says which is missing.
    pub(super) fn need<T>(&self, value: Option<T>, field: &'static str) -> Result<T, WireError> {
        value.ok_or(WireError::Missing { at: self.at(), field })
    }
}
