//! `pictures.log`: a small picture of every frame, to align the capture with others later.
//!
//! 1. The line `evenbeat-pictures 1`.
//! 2. One line of JSON: number of frames, size of the part of the picture that was looked at, and the digest over
//!    all frames that the audit has.
//! 3. The stream that [`crate::signatures`] describes. A cell is the mean luma of 1/12 × 1/8 of the picture in 1/64
//!    code values at 8 bit, row by row.

use std::io::{self, BufRead, Read, Write};

use serde::{Deserialize, Serialize};

use super::json_cause;
use super::values::hex;
use crate::error::plain_cause;
use crate::fingerprint::Digest;
use crate::signatures::Signatures;

/// First line.
const MAGIC: &str = "evenbeat-pictures 1";
/// Longest line before the stream, bytes.
const LINE_MAX: u64 = 4096;
/// Most bytes of the stream for one frame: what no longer can be made smaller is stored with some bytes of framing
/// (RFC 1951, section 3.2.4: 5 for each 65,535).
const FRAME_BYTES_MAX: u64 = 200;
/// Bytes of the stream that are there without any frame, generously.
const FRAMING_BYTES_MAX: u64 = 64;

/// What stands before the signatures.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq, Serialize)]
pub struct Head {
    /// Number of frames.
    pub frames: u64,
    /// Width of the part of the picture that was looked at, pixels.
    pub width_px: u32,
    /// Its height, pixels.
    pub height_px: u32,
    /// BLAKE3 over all frame digests, as in `audit.json`.
    pub blake3: String,
}

impl Head {
    /// The head for an audit with this digest.
    pub fn new(frames: usize, (width_px, height_px): (u32, u32), digest: &Digest) -> Self {
        Self { frames: frames as u64, width_px, height_px, blake3: hex(digest) }
    }
}

/// Writes the file.
///
/// # Errors
/// What `out` returns.
pub fn write(head: &Head, signatures: &Signatures, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{MAGIC}")?;
    serde_json::to_writer(&mut *out, head)?;
    out.write_all(b"\n")?;
    out.write_all(signatures.stream())
}

/// Reads the file of an audit with so many frames; what in it cannot be otherwise.
///
/// # Errors
/// It is no such file, of another number of frames, cut, damaged, or unreadable.
pub fn read(mut input: impl BufRead, frames: usize) -> Result<(Head, Signatures), String> {
    let line = |input: &mut dyn BufRead| -> Result<String, String> {
        let mut line = String::new();
        input.take(LINE_MAX).read_line(&mut line).map_err(|error| plain_cause(&error))?;
        Ok(line.trim_end_matches('\n').to_owned())
    };
    if line(&mut input)? != MAGIC {
        return Err(format!("its first line is not {MAGIC:?}"));
    }
    let head: Head = serde_json::from_str(&line(&mut input)?).map_err(|error| json_cause(&error))?;
    if head.frames != frames as u64 {
        return Err(format!("it has {} frames, the audit {frames}", head.frames));
    }
    let longest = head.frames.saturating_mul(FRAME_BYTES_MAX).saturating_add(FRAMING_BYTES_MAX);
    let mut stream = Vec::new();
    input.take(longest).read_to_end(&mut stream).map_err(|error| plain_cause(&error))?;
    Ok((head, Signatures::checked(stream, frames)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_comes_back_and_damage_is_told() {
        // Noise is what compresses least.
        let mut state = 1u32;
        let signatures: Signatures = (0..300)
            .map(|_| {
                std::array::from_fn(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    (state >> 16) as u16
                })
            })
            .collect();
        let head = Head::new(signatures.len(), (1920, 1080), &[7; 32]);
        let mut file = Vec::new();
        write(&head, &signatures, &mut file).unwrap();
        assert_eq!(read(&file[..], 300), Ok((head, signatures)));
        assert!(read(&file[..], 301).is_err());
        for length in (0..file.len()).step_by(97).chain(0..200) {
            assert!(read(&file[..length], 300).is_err(), "{length}");
        }
        // Any change is told or harmless: never a panic, never more frames than promised.
        for place in (0..file.len()).step_by(97).chain(0..200) {
            let mut damaged = file.clone();
            damaged[place] ^= 0x55;
            if let Ok((head, signatures)) = read(&damaged[..], 300) {
                assert_eq!(head.frames as usize, signatures.len());
            }
        }
    }
}
