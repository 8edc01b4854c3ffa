//! Unpacks what is packed as gzip (RFC 1952) or zstd (RFC 8878), while it is read. The first bytes show it, whatever
//! the file is called. Everything else passes through as it is.
//!
//! Several packed files one behind the other are one, as both standards have it. Memory stays bounded, whatever the
//! data ask for.

use flate2::bufread::MultiGzDecoder;
use std::fmt;
use std::io::{self, BufReader, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
#[cfg(not(target_family = "wasm"))]
use zstd::stream::read::Decoder;

/// First bytes of gzip data.
const GZIP: [u8; 2] = [0x1F, 0x8B];
/// First bytes of zstd data.
const ZSTD: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];

/// The longest window of zstd data, as a power of two: 128 MiB. Data made at the usual levels ask for 8 MiB at most.
/// Common practice, no source.
const WINDOW_LOG: u32 = 27;
/// The decoder's words for a longer one; held by `a_window_that_would_fill_the_memory_is_refused`.
const WINDOW_TOO_LONG: &str = "Frame requires too much memory for decoding";

/// Packed bytes to read at a time.
const PIECE: usize = 1 << 16;

/// How data are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Packing {
    Gzip,
    Zstd,
}

/// Packed data that cannot be unpacked any further.
#[derive(Debug)]
pub(crate) struct Damaged {
    packing: Packing,
    /// Packed bytes up to there.
    at: u64,
    how: How,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum How {
    CutOff,
    Corrupt,
    /// They are whole, but need too much memory.
    WindowTooLong,
}

impl Damaged {
    /// What `error` says about packed data, if it does.
    pub(crate) fn of(error: &io::Error) -> Option<&Self> {
        error.get_ref()?.downcast_ref()
    }

    /// What to do.
    pub(crate) const fn remedy(&self) -> &'static str {
        match self.how {
            How::CutOff | How::Corrupt => "copy the file again; or unpack what can be had of it, and name that",
            How::WindowTooLong => "pack it again without a long window; or unpack it first, and name that",
        }
    }
}

impl fmt::Display for Damaged {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { packing, at, how } = self;
        let packing = match packing {
            Packing::Gzip => "gzip",
            Packing::Zstd => "zstd",
        };
        match how {
            How::CutOff => write!(f, "the {packing} data end too early, after {at} bytes: readable up to this line"),
            How::Corrupt => write!(f, "the {packing} data are damaged near byte {at}: readable up to this line"),
            How::WindowTooLong => {
                write!(f, "the {packing} data need more than {} MiB of memory to unpack", (1_u32 << WINDOW_LOG) >> 20)
            }
        }
    }
}

impl std::error::Error for Damaged {}

/// A stream, unpacked.
pub(crate) struct Unpacked<R: Read> {
    form: Form<R>,
    taken: Arc<AtomicU64>,
}

enum Form<R: Read> {
    Plain(Source<R>),
    Gzip(Box<MultiGzDecoder<BufReader<Source<R>>>>),
    #[cfg(not(target_family = "wasm"))]
    Zstd(Box<Decoder<'static, BufReader<Source<R>>>>),
}

impl<R: Read> Unpacked<R> {
    /// Looks at as many bytes of `source` as show how it is packed.
    ///
    /// # Errors
    /// A source that cannot be read, or no memory to unpack it.
    pub(crate) fn new(source: R) -> io::Result<Self> {
        let taken = Arc::new(AtomicU64::new(0));
        let (source, packing) = Source::new(source, Arc::clone(&taken))?;
        let form = match packing {
            None => Form::Plain(source),
            Some(Packing::Gzip) => Form::Gzip(Box::new(MultiGzDecoder::new(BufReader::with_capacity(PIECE, source)))),
            #[cfg(target_family = "wasm")]
            Some(Packing::Zstd) => return Err(io::Error::other("packed as zstd: unpack it, or pack it as gzip")),
            #[cfg(not(target_family = "wasm"))]
            Some(Packing::Zstd) => {
                let mut decoder = Decoder::with_buffer(BufReader::with_capacity(PIECE, source))?;
                decoder.window_log_max(WINDOW_LOG)?;
                Form::Zstd(Box::new(decoder))
            }
        };
        Ok(Self { form, taken })
    }

    /// How many bytes have been read from the source, as they are packed. Counts on while this is read.
    pub(crate) fn taken(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.taken)
    }
}

impl<R: Read> Read for Unpacked<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match &mut self.form {
            Form::Plain(source) => source.read(into),
            Form::Gzip(gzip) => gzip.read(into).map_err(|error| explained(error, Packing::Gzip, gzip.get_ref())),
            #[cfg(not(target_family = "wasm"))]
            Form::Zstd(zstd) => zstd.read(into).map_err(|error| explained(error, Packing::Zstd, zstd.get_ref())),
        }
    }
}

/// The `error` of a decoder as [`Damaged`], unless it is one of the source.
fn explained<R>(error: io::Error, packing: Packing, packed: &BufReader<Source<R>>) -> io::Error {
    let source = packed.get_ref();
    if source.has_failed || error.kind() == io::ErrorKind::Interrupted {
        return error;
    }
    let how = match error.kind() {
        io::ErrorKind::UnexpectedEof => How::CutOff,
        _ if error.to_string() == WINDOW_TOO_LONG => How::WindowTooLong,
        _ => How::Corrupt,
    };
    let at = source.taken.load(Ordering::Relaxed) - packed.buffer().len() as u64;
    io::Error::new(io::ErrorKind::InvalidData, Damaged { packing, at, how })
}

/// A stream whose first bytes are known, and which counts what is read from it.
struct Source<R> {
    start: [u8; ZSTD.len()],
    /// The part of `start` that has not been read yet.
    first: std::ops::Range<usize>,
    inner: R,
    taken: Arc<AtomicU64>,
    has_failed: bool,
}

impl<R: Read> Source<R> {
    /// Looks at the first bytes of `source`, one by one: a pipe may have no more than the text that they begin.
    fn new(mut source: R, taken: Arc<AtomicU64>) -> io::Result<(Self, Option<Packing>)> {
        let (mut start, mut length) = ([0; ZSTD.len()], 0);
        let packing = loop {
            match source.read(&mut start[length..=length]) {
                Ok(0) => break None,
                Ok(_) => length += 1,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
            let seen = &start[..length];
            if seen == GZIP {
                break Some(Packing::Gzip);
            } else if seen == ZSTD || is_skippable(seen) {
                break Some(Packing::Zstd);
            } else if !GZIP.starts_with(seen) && !ZSTD.starts_with(seen) && !may_be_skippable(seen) {
                break None;
            }
        };
        Ok((Self { start, first: 0..length, inner: source, taken, has_failed: false }, packing))
    }
}

/// Whether zstd data begin with `start` and a frame that holds none (RFC 8878, skippable frames).
fn is_skippable(start: &[u8]) -> bool {
    start.len() == ZSTD.len() && may_be_skippable(start)
}

fn may_be_skippable(start: &[u8]) -> bool {
    const AFTER_FIRST: [u8; 3] = [0x2A, 0x4D, 0x18];
    matches!(start, [0x50..=0x5F, rest @ ..] if AFTER_FIRST.starts_with(rest))
}

impl<R: Read> Read for Source<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = if self.first.is_empty() {
            let read = self.inner.read(into);
            self.has_failed |= read.as_ref().is_err_and(|error| error.kind() != io::ErrorKind::Interrupted);
            read?
        } else {
            let count = self.first.len().min(into.len());
            into[..count].copy_from_slice(&self.start[self.first.start..][..count]);
            self.first.start += count;
            count
        };
        self.taken.fetch_add(count as u64, Ordering::Relaxed);
        Ok(count)
    }
}
