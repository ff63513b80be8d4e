//! What a store needs of the place where its bytes are: two files, written at any place, made durable when asked.

use embertally_core::store::StoreError;

/// Which of the two files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The first.
    A,
    /// The second.
    B,
}

impl Side {
    /// Returns the other one.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

/// Two files that nobody else has open.
///
/// In a browser: two synchronous access handles of the origin's private file system, which are exclusive by themselves.
pub trait Disk {
    /// Returns a file's length in bytes.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn size(&self, side: Side) -> Result<u64, StoreError>;

    /// Reads up to `length` bytes from a place; fewer where the file ends.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn read(&self, side: Side, at: u64, length: usize) -> Result<Vec<u8>, StoreError>;

    /// Writes all bytes at a place; the file grows where needed.
    ///
    /// # Errors
    /// Any [`StoreError`]; some of the bytes may stand there then.
    fn write(&mut self, side: Side, at: u64, bytes: &[u8]) -> Result<(), StoreError>;

    /// Cuts a file to a length.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn cut(&mut self, side: Side, length: u64) -> Result<(), StoreError>;

    /// Returns when all that was written to a file is durable.
    ///
    /// # Errors
    /// Any [`StoreError`].
    fn flush(&mut self, side: Side) -> Result<(), StoreError>;
}
