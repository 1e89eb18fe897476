//! Bounds on what a capture may make a reader hold, and the one way samples are read.

use std::io::{self, Read};

use crate::error::plain_cause;
use crate::frame::FrameShape;

/// Longest stream or frame header line, in bytes. Ordinary ones stay below 200; the rest is room for
/// extension tags.
pub(crate) const HEADER_LINE_MAX: usize = 4096;

/// Bytes of read-ahead before a stream. Small, because samples are read past it straight into the frame.
pub(crate) const READ_AHEAD: usize = 16 * 1024;

/// Most bytes a frame buffer grows by before the bytes are there, so that a header that claims a huge
/// picture costs no more memory than the data that follow it.
const GROWTH_STEP: usize = 16 * 1024 * 1024;

/// Reads `len` bytes into `samples`, growing it no faster than data arrive. Returns how many came.
///
/// A buffer that already has the length is filled in place, without being cleared first.
pub(crate) fn read_samples(reader: &mut impl Read, samples: &mut Vec<u8>, len: usize) -> io::Result<usize> {
    if samples.len() == len {
        return fill(reader, samples);
    }
    samples.clear();
    while samples.len() < len {
        let step = (len - samples.len()).min(GROWTH_STEP);
        samples.reserve_exact(step);
        if reader.by_ref().take(step as u64).read_to_end(samples)? < step {
            break;
        }
    }
    Ok(samples.len())
}

/// Fills `target` as far as the data reach; returns how many bytes came.
pub(crate) fn fill(reader: &mut impl Read, target: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while filled < target.len() {
        match reader.read(&mut target[filled..]) {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// Reads and forgets `len` bytes; returns how many came.
pub(crate) fn skip(reader: &mut impl Read, len: u64) -> io::Result<u64> {
    io::copy(&mut reader.by_ref().take(len), &mut io::sink())
}

/// Whether both sides are within `1..=FrameShape::SIDE_MAX`.
pub(crate) fn sides_allowed(width: u64, height: u64) -> bool {
    let allowed = 1..=u64::from(FrameShape::SIDE_MAX);
    allowed.contains(&width) && allowed.contains(&height)
}

/// An operating system's error in the words of this program, the same on every system where it is common.
pub(crate) fn cause_of(error: &io::Error) -> String {
    plain_cause(error)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_are_read_whole_or_reported_short() {
        let data = vec![7u8; 100];
        for (start, want, got) in [(0, 60, 60), (60, 60, 60), (100, 60, 60), (0, 160, 100), (160, 160, 100)] {
            let mut samples = vec![1u8; start];
            assert_eq!(
                read_samples(&mut data.as_slice(), &mut samples, want).unwrap(),
                got,
                "{start} {want}"
            );
            assert!(samples[..got].iter().all(|&byte| byte == 7));
        }
    }

    #[test]
    fn memory_follows_the_data_and_not_the_claim() {
        let mut samples = Vec::new();
        read_samples(&mut [1u8, 2, 3].as_slice(), &mut samples, 1 << 40).unwrap();
        assert!(samples.capacity() <= GROWTH_STEP, "{}", samples.capacity());
    }
}
