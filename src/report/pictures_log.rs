//! `pictures.log`: a small picture of every frame, to align the capture with others later.
//!
//! 1. The line `evenbeat-pictures 1`.
//! 2. One line of JSON: number of frames, size of the part of the picture that was looked at, and the digest over
//!    all frames that the audit has.
//! 3. A zlib stream (RFC 1950). For each frame a byte: 0 where its signature is that of the frame before, else 1 and
//!    the signature's 96 cells, each less the same cell of the frame before, as unsigned numbers of 16 bit that wrap
//!    around: all low bytes, then all high ones. A cell is the mean luma of 1/12 × 1/8 of the picture in 1/64 code
//!    values at 8 bit, row by row; the frame before the first is all zero.

use std::io::{self, BufRead, BufWriter, Read, Write};

use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use flate2::Compression;
use serde::{Deserialize, Serialize};

use super::text::hex;
use crate::fingerprint::Digest;
use crate::source::{Signature, CELLS};

/// First line.
const MAGIC: &str = "evenbeat-pictures 1";
/// Longest line before the stream, bytes.
const LINE_MAX: u64 = 4096;
/// Little time for nearly all that can be saved.
const COMPRESSION: Compression = Compression::new(3);
/// Bytes that are compressed at once.
const CHUNK_BYTES: usize = 64 * 1024;
const UNCHANGED: u8 = 0;
const CHANGED: u8 = 1;

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
pub fn write(head: &Head, signatures: &[Signature], out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{MAGIC}")?;
    serde_json::to_writer(&mut *out, head)?;
    out.write_all(b"\n")?;
    // The encoder clears its whole output buffer for every write, so it gets many frames at once.
    let mut stream = BufWriter::with_capacity(CHUNK_BYTES, ZlibEncoder::new(out, COMPRESSION));
    let mut before = [0u16; CELLS];
    let mut record = [CHANGED; 1 + 2 * CELLS];
    for signature in signatures {
        if *signature == before {
            stream.write_all(&[UNCHANGED])?;
            continue;
        }
        for (cell, (now, then)) in signature.iter().zip(&before).enumerate() {
            let [low, high] = now.wrapping_sub(*then).to_le_bytes();
            (record[1 + cell], record[1 + CELLS + cell]) = (low, high);
        }
        stream.write_all(&record)?;
        before = *signature;
    }
    stream.into_inner().map_err(|error| error.into_error())?.finish().map(|_| ())
}

/// Reads the file of an audit with so many frames; what in it cannot be otherwise.
///
/// # Errors
/// It is no such file, of another number of frames, cut, damaged, or unreadable.
pub fn read(mut input: impl BufRead, frames: usize) -> Result<(Head, Vec<Signature>), String> {
    let line = |input: &mut dyn BufRead| -> Result<String, String> {
        let mut line = String::new();
        input.take(LINE_MAX).read_line(&mut line).map_err(|error| error.to_string().to_lowercase())?;
        Ok(line.trim_end_matches('\n').to_owned())
    };
    if line(&mut input)? != MAGIC {
        return Err(format!("its first line is not {MAGIC:?}"));
    }
    let head: Head = serde_json::from_str(&line(&mut input)?).map_err(|error| error.to_string())?;
    if head.frames != frames as u64 {
        return Err(format!("it has {} frames, wanted are {frames}", head.frames));
    }
    let mut stream = ZlibDecoder::new(input);
    let mut signatures: Vec<Signature> = Vec::new();
    let mut before = [0u16; CELLS];
    let cut = |_| format!("it ends before its {} frames do, or is damaged", head.frames);
    let mut record = [0u8; 2 * CELLS];
    for _ in 0..head.frames {
        let mut mark = [0u8; 1];
        stream.read_exact(&mut mark).map_err(cut)?;
        match mark[0] {
            UNCHANGED => {}
            CHANGED => {
                stream.read_exact(&mut record).map_err(cut)?;
                for (cell, value) in before.iter_mut().enumerate() {
                    *value = value.wrapping_add(u16::from_le_bytes([record[cell], record[CELLS + cell]]));
                }
            }
            _ => return Err("a frame begins with an unknown mark".to_owned()),
        }
        signatures.push(before);
    }
    if stream.read(&mut [0]).map_err(cut)? > 0 {
        return Err("something follows its last frame".to_owned());
    }
    Ok((head, signatures))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signatures_come_back_and_damage_is_told() {
        let signatures: Vec<Signature> = (0..50u16)
            .map(|frame| {
                std::array::from_fn(|cell| (frame / 2).wrapping_mul(977).wrapping_add(cell as u16 * 31))
            })
            .collect();
        let head = Head::new(signatures.len(), (1920, 1080), &[7; 32]);
        let mut file = Vec::new();
        write(&head, &signatures, &mut file).unwrap();
        assert_eq!(read(&file[..], 50), Ok((head, signatures)));
        assert!(read(&file[..], 51).is_err());
        for length in 0..file.len() {
            assert!(read(&file[..length], 50).is_err(), "{length}");
        }
        // Any change is told or harmless: never a panic, never more frames than promised.
        for place in 0..file.len() {
            let mut damaged = file.clone();
            damaged[place] ^= 0x55;
            if let Ok((head, signatures)) = read(&damaged[..], 50) {
                assert_eq!(head.frames as usize, signatures.len());
            }
        }
    }
}
