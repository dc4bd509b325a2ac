//! Where bytes come from: the one door through which readers see the outside.

use std::fmt;
use std::io::{self, Cursor, Read};
use std::sync::Arc;

use sha2::{Digest, Sha256};

use crate::error::Error;

/// Something that bytes can be read from, again and again, from any position.
pub trait Origin: Send + Sync {
    /// The name as the user gave it.
    fn name(&self) -> &str;

    /// The length in bytes.
    ///
    /// # Errors
    /// Whatever the system answers.
    fn byte_count(&self) -> io::Result<u64>;

    /// A fresh stream from a byte position on.
    ///
    /// # Errors
    /// Whatever the system answers.
    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>>;

    /// Another file of the same folder by its bare name, where there is one.
    fn sibling(&self, name: &str) -> Option<Source>;

    /// The SHA-256 of the whole as lower-case hexadecimal digits, where it has been taken elsewhere already.
    fn sha256(&self) -> Option<String> {
        None
    }
}

/// A handle on an [`Origin`], cheap to clone.
#[derive(Clone)]
pub struct Source(Arc<dyn Origin>);

impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Source({:?})", self.name())
    }
}

impl Source {
    /// Wraps an origin.
    pub fn new(origin: impl Origin + 'static) -> Self {
        Self(Arc::new(origin))
    }

    /// The name as the user gave it.
    pub fn name(&self) -> &str {
        self.0.name()
    }

    /// Another file of the same folder by its bare name, where there is one.
    pub fn sibling(&self, name: &str) -> Option<Source> {
        self.0.sibling(name)
    }

    /// The length in bytes.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn byte_count(&self) -> Result<u64, Error> {
        self.0.byte_count().map_err(|e| self.failed(&e))
    }

    /// A fresh stream from a byte position on.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn open_at(&self, position: u64) -> Result<Box<dyn Read + Send>, Error> {
        self.0.open_at(position).map_err(|e| self.failed(&e))
    }

    /// At most `most` bytes from a position on; fewer at the end.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn bytes_at(&self, position: u64, most: usize) -> Result<Vec<u8>, Error> {
        let mut bytes = Vec::new();
        self.open_at(position)?.take(most as u64).read_to_end(&mut bytes).map_err(|e| self.failed(&e))?;
        Ok(bytes)
    }

    /// The SHA-256 of the whole as lower-case hexadecimal digits.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn sha256(&self) -> Result<String, Error> {
        if let Some(known) = self.0.sha256() {
            return Ok(known);
        }
        let mut stream = self.open_at(0)?;
        let mut hash = Sha256::new();
        let mut buffer = vec![0; 1 << 16];
        loop {
            match stream.read(&mut buffer) {
                Ok(0) => break,
                Ok(count) => hash.update(&buffer[..count]),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(self.failed(&e)),
            }
        }
        Ok(hexadecimal(hash))
    }

    /// The SHA-256 of at most so many bytes of the beginning, followed by as many of the end.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn sha256_of_ends(&self, most: usize) -> Result<String, Error> {
        let mut hash = Sha256::new();
        hash.update(self.bytes_at(0, most)?);
        hash.update(self.bytes_at(self.byte_count()?.saturating_sub(most as u64), most)?);
        Ok(hexadecimal(hash))
    }

    /// A system error as an [`Error`] that names this source.
    pub fn failed(&self, error: &io::Error) -> Error {
        let remedy = match error.kind() {
            io::ErrorKind::NotFound => "check the path",
            io::ErrorKind::PermissionDenied => "check who may read the file",
            _ => "check that the file can be read where it lies",
        };
        Error::input(format!("cannot be read: {error}")).in_file(self.name()).remedy(remedy)
    }
}

fn hexadecimal(hash: Sha256) -> String {
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Bytes in memory as an origin.
#[derive(Debug, Clone)]
pub struct Bytes {
    name: String,
    bytes: Arc<[u8]>,
}

impl Bytes {
    /// Names a stretch of bytes.
    pub fn new(name: impl Into<String>, bytes: impl Into<Arc<[u8]>>) -> Self {
        Self { name: name.into(), bytes: bytes.into() }
    }
}

impl Origin for Bytes {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.bytes.len() as u64)
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let mut cursor = Cursor::new(Arc::clone(&self.bytes));
        cursor.set_position(position);
        Ok(Box::new(cursor))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}
