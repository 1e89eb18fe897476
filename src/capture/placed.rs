//! Frames that lie at known places of a file: whoever needs one reads it, in any order.

use std::fs::File;
use std::io;
use std::ops::Range;

use super::depth::exceeds;

/// Frames of one length, one after the other, each behind the same header.
#[derive(Debug)]
pub struct PlacedFrames {
    file: File,
    /// First byte of the first header.
    start: u64,
    /// What stands before every frame.
    header: Vec<u8>,
    /// Bytes from the end of a header to the next one.
    frame_len: u64,
    count: u64,
    /// Bytes of a frame that are samples; others may follow them.
    samples_len: usize,
    /// Depth that no sample may exceed, where samples have room for more.
    bit_depth: Option<u8>,
}

impl PlacedFrames {
    /// Frames of `frame_len` bytes behind a `header` each, from byte `start` of a file on, as many as it holds whole. The
    /// first `samples_len` bytes of each are samples.
    pub(super) fn new(
        file: File,
        (start, header): (u64, Vec<u8>),
        frame_len: u64,
        samples_len: usize,
    ) -> io::Result<Self> {
        let room = file.metadata()?.len().saturating_sub(start);
        let count = room / (header.len() as u64 + frame_len).max(1);
        Ok(Self { file, start, header, frame_len, count, samples_len, bit_depth: None })
    }

    /// The same where no sample of two bytes may exceed this depth.
    pub(super) fn within_depth(self, bit_depth: u8) -> Self {
        Self { bit_depth: Some(bit_depth), ..self }
    }

    /// How many whole frames there are by the length of the file.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Bytes of the samples of a frame.
    pub fn samples_len(&self) -> usize {
        self.samples_len
    }

    /// Whether frame `frame`, from 0, begins as all of them do.
    ///
    /// # Errors
    /// The file cannot be read there.
    pub fn begins(&self, frame: u64) -> io::Result<bool> {
        let mut header = vec![0; self.header.len()];
        read_exact_at(&self.file, &mut header, self.place(frame))?;
        Ok(header == self.header)
    }

    /// Reads these bytes of the samples of frame `frame`; whole samples. False where one is out of range.
    ///
    /// # Errors
    /// The file cannot be read there, or has become shorter.
    pub fn read(&self, frame: u64, bytes: Range<usize>, into: &mut [u8]) -> io::Result<bool> {
        let place = self.place(frame) + self.header.len() as u64 + bytes.start as u64;
        read_exact_at(&self.file, into, place)?;
        Ok(self.bit_depth.is_none_or(|bit_depth| !exceeds(into, bit_depth)))
    }

    fn place(&self, frame: u64) -> u64 {
        self.start + frame * (self.header.len() as u64 + self.frame_len)
    }
}

#[cfg(unix)]
fn read_exact_at(file: &File, into: &mut [u8], place: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, into, place)
}

/// Where files cannot be read at a place without moving in them, frames are read one after the other.
#[cfg(not(unix))]
fn read_exact_at(_file: &File, _into: &mut [u8], _place: u64) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn frames_are_read_at_their_places_and_checked() {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(b"head FRAME\nabcdFRAME\nefghFRAMX\nijklFRAME\nmn").unwrap();
        let frames = PlacedFrames::new(file, (5, b"FRAME\n".to_vec()), 4, 4).unwrap();
        assert_eq!(frames.count(), 3);
        assert_eq!(
            (0..3).map(|frame| frames.begins(frame).unwrap()).collect::<Vec<_>>(),
            [true, true, false]
        );
        let mut samples = [0; 2];
        for (frame, bytes, expected) in
            [(0, 0..2, b"ab"), (1, 2..4, b"gh"), (2, 1..3, b"jk"), (3, 0..2, b"mn")]
        {
            assert!(frames.read(frame, bytes, &mut samples).unwrap());
            assert_eq!(&samples, expected, "{frame}");
        }
        assert!(frames.read(3, 1..3, &mut samples).is_err(), "past the end");
        // "ab" is 0x6261.
        let deep = |frames: PlacedFrames, bit_depth| {
            let frames = frames.within_depth(bit_depth);
            (frames.read(0, 0..2, &mut [0; 2]).unwrap(), frames)
        };
        let (fits, frames) = deep(frames, 15);
        assert!(fits);
        assert!(!deep(frames, 14).0);
    }
}
