//! One signature per frame, compressed as they come: ten hours of them would fill 415 MB.
//!
//! They are kept as a zlib stream (RFC 1950). For each frame a byte: 0 where its signature is that of the frame
//! before, else 1 and the signature's 96 cells, each less the same cell of the frame before, as unsigned numbers of
//! 16 bit that wrap around: all low bytes, then all high ones. The frame before the first is all zero.

use std::io::{BufWriter, Read, Write};

use flate2::bufread::ZlibDecoder;
use flate2::write::ZlibEncoder;
use flate2::Compression;

use crate::alignment::{Signature, CELLS};

/// Little time for nearly all that can be saved.
const COMPRESSION: Compression = Compression::new(3);
/// Bytes that are compressed at once: the encoder clears its whole output buffer for every write.
const CHUNK_BYTES: usize = 64 * 1024;
const UNCHANGED: u8 = 0;
const CHANGED: u8 = 1;

/// The signatures of all frames, compressed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Signatures {
    frames: usize,
    stream: Vec<u8>,
}

impl Signatures {
    /// Those in a stream of so many frames, once it is known to hold them and nothing else.
    ///
    /// # Errors
    /// In words, what is wrong with the stream.
    pub fn checked(stream: Vec<u8>, frames: usize) -> Result<Self, String> {
        let mut reader = Unpacking::new(&stream);
        for _ in 0..frames {
            reader.advance().map_err(|damage| match damage {
                Damage::Cut => format!("it ends before its {frames} frames do, or is damaged"),
                Damage::Mark => "a frame begins with an unknown mark".to_owned(),
            })?;
        }
        // The checksum of the stream is read with its end.
        match reader.stream.read(&mut [0]) {
            Ok(0) => {}
            Ok(_) => return Err("something follows its last frame".to_owned()),
            Err(_) => return Err(format!("it ends before its {frames} frames do, or is damaged")),
        }
        if reader.stream.total_in() != stream.len() as u64 {
            return Err("something follows its last frame".to_owned());
        }
        Ok(Self { frames, stream })
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.frames
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.frames == 0
    }

    /// The stream.
    pub fn stream(&self) -> &[u8] {
        &self.stream
    }

    /// The signatures themselves, 192 bytes each.
    pub fn unpacked(&self) -> Vec<Signature> {
        let mut reader = Unpacking::new(&self.stream);
        let mut signatures = Vec::with_capacity(self.frames);
        while signatures.len() < self.frames && reader.advance().is_ok() {
            signatures.push(reader.signature);
        }
        signatures
    }
}

impl FromIterator<Signature> for Signatures {
    fn from_iter<I: IntoIterator<Item = Signature>>(signatures: I) -> Self {
        let mut packer = Packer::default();
        signatures.into_iter().for_each(|signature| packer.push(&signature));
        packer.finish()
    }
}

/// Compresses signatures one after another.
pub struct Packer {
    frames: usize,
    before: Signature,
    stream: BufWriter<ZlibEncoder<Vec<u8>>>,
}

impl Default for Packer {
    fn default() -> Self {
        let stream = BufWriter::with_capacity(CHUNK_BYTES, ZlibEncoder::new(Vec::new(), COMPRESSION));
        Self { frames: 0, before: [0; CELLS], stream }
    }
}

impl Packer {
    /// Adds the next frame's.
    pub fn push(&mut self, signature: &Signature) {
        self.frames += 1;
        if *signature == self.before {
            return self.write(&[UNCHANGED]);
        }
        let mut record = [CHANGED; 1 + 2 * CELLS];
        for (cell, (now, then)) in signature.iter().zip(&self.before).enumerate() {
            let [low, high] = now.wrapping_sub(*then).to_le_bytes();
            (record[1 + cell], record[1 + CELLS + cell]) = (low, high);
        }
        self.write(&record);
        self.before = *signature;
    }

    /// Number of frames so far.
    pub fn len(&self) -> usize {
        self.frames
    }

    /// Whether there is none yet.
    pub fn is_empty(&self) -> bool {
        self.frames == 0
    }

    /// All of them.
    pub fn finish(self) -> Signatures {
        let stream = self.stream.into_inner().map_err(|error| error.into_error());
        let stream =
            stream.and_then(ZlibEncoder::finish).unwrap_or_else(|_| unreachable!("memory takes every byte"));
        Signatures { frames: self.frames, stream }
    }

    fn write(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).unwrap_or_else(|_| unreachable!("memory takes every byte"));
    }
}

/// Why a stream cannot be read on.
enum Damage {
    Cut,
    Mark,
}

/// Takes signatures out of a stream.
struct Unpacking<'a> {
    stream: ZlibDecoder<&'a [u8]>,
    signature: Signature,
}

impl<'a> Unpacking<'a> {
    fn new(stream: &'a [u8]) -> Self {
        Self { stream: ZlibDecoder::new(stream), signature: [0; CELLS] }
    }

    /// Goes on to the next frame.
    fn advance(&mut self) -> Result<(), Damage> {
        let mut mark = [0; 1];
        self.stream.read_exact(&mut mark).map_err(|_| Damage::Cut)?;
        match mark[0] {
            UNCHANGED => Ok(()),
            CHANGED => {
                let mut record = [0; 2 * CELLS];
                self.stream.read_exact(&mut record).map_err(|_| Damage::Cut)?;
                for (cell, value) in self.signature.iter_mut().enumerate() {
                    *value = value.wrapping_add(u16::from_le_bytes([record[cell], record[CELLS + cell]]));
                }
                Ok(())
            }
            _ => Err(Damage::Mark),
        }
    }
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
        let packed: Signatures = signatures.iter().copied().collect();
        assert_eq!((packed.len(), packed.unpacked()), (50, signatures));
        assert_eq!(Signatures::checked(packed.stream().to_vec(), 50), Ok(packed.clone()));
        assert!(Signatures::checked(packed.stream().to_vec(), 49).is_err());
        assert!(Signatures::checked(packed.stream().to_vec(), 51).is_err());
        for length in 0..packed.stream().len() {
            assert!(Signatures::checked(packed.stream()[..length].to_vec(), 50).is_err(), "{length}");
        }
        for place in 0..packed.stream().len() {
            let mut damaged = packed.stream().to_vec();
            damaged[place] ^= 0x55;
            // The checksum of the stream tells every change of what it holds; a change of its head may say the same.
            if let Ok(damaged) = Signatures::checked(damaged, 50) {
                assert_eq!(damaged.unpacked(), packed.unpacked());
            }
        }
        let mut longer = packed.stream().to_vec();
        longer.push(0);
        assert!(Signatures::checked(longer, 50).is_err());
        assert_eq!(Signatures::default().unpacked(), Vec::<Signature>::new());
    }
}
