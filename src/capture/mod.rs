//! Capture readers: bytes in, frames out, streaming. [`open()`] is the way in.

mod coding;
mod containers;
mod decoder;
mod decoder_log;
mod depth;
mod excerpt;
pub(crate) mod fuzzing;
mod image_sequence;
mod limits;
mod nut;
mod open;
mod part;
mod placed;
mod stream_end;
#[cfg(test)]
mod testing;
mod timestamps;
mod y4m;

pub use decoder::decoder_version;
pub use excerpt::copy_excerpt;
pub use open::{open, sniff, CaptureArg, CaptureKind, SniffedCapture, FINGERPRINT_LOG_MAGIC};
pub use part::Part;
pub use placed::PlacedFrames;

pub mod log;

use crate::error::Result;
use crate::frame::{CodeRange, Coding, FrameShape, FrameTiming, Scan};
use crate::note::Note;
pub use crate::units::RateSource;
use crate::units::{Rate, TimeBase};

/// What a capture says of itself before the first frame.
#[derive(Clone, Debug, PartialEq)]
pub struct CaptureFacts {
    /// File or folder name without its path, or `standard input`.
    pub name: String,
    /// Size and pixel format of every frame.
    pub shape: FrameShape,
    /// Scan by the capture's flags.
    pub scan: Scan,
    /// How the samples were coded.
    pub coding: Coding,
    /// The range that its code values are said to have.
    pub range: CodeRange,
    /// Delivered rate that the header or the person states; `None` if unknown.
    pub nominal_rate: Option<Rate>,
    /// Where `nominal_rate` comes from; `None` if unknown.
    pub rate_source: Option<RateSource>,
    /// Unit of frame times; `None` where the capture has no times.
    pub time_base: Option<TimeBase>,
    /// Frames that the container promises, where it does.
    pub promised_frames: Option<u64>,
    /// Reader or decoder with its version, e.g. `y4m` or the decoder's own first line.
    pub reader: String,
}

/// A part of a capture, and how many of its first frames lie before it: a fingerprint looks back at them. `place` is what
/// errors call the capture.
///
/// # Errors
/// It cannot be read in parts, or the part holds no frame.
pub fn part_of(
    source: Box<dyn FrameSource>,
    part: Part,
    place: &str,
) -> Result<(Box<dyn FrameSource>, usize)> {
    let (source, before) = part::PartSource::new(source, part, place)?;
    Ok((Box::new(source), before))
}

/// How reading ended.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CaptureEnd {
    /// Caveats met on the way; some mark the capture incomplete.
    pub notes: Vec<Note>,
}

/// A frame farther on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Leap {
    /// Frames to pass over.
    pub frames: u64,
    /// Time of the frame after them in the capture's time base; `None` where the capture has no times.
    pub ticks: Option<i64>,
}

/// How long a capture is, as far as that is known before it is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent {
    /// Frames.
    Frames(u64),
    /// Ticks of its time base.
    Ticks(i64),
}

/// A streaming reader of frames with their samples.
pub trait FrameSource: Send {
    /// What the capture says of itself.
    fn facts(&self) -> &CaptureFacts;

    /// Reads the next frame into `samples` (resized to `FrameShape::byte_len`); `None` at the end.
    /// A capture cut in the middle of a frame ends with `None` and a note from [`FrameSource::finish`].
    ///
    /// # Errors
    /// Anything that makes what follows unreadable.
    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>>;

    /// Passes over frames without reading them, where the capture allows that; tells whether it did. Who leaps
    /// checks what is read next: a container's index may be wrong. After an error nothing can be read any more.
    ///
    /// # Errors
    /// The frame is not found, or the capture cannot be read there.
    fn leap(&mut self, _leap: Leap) -> Result<bool> {
        Ok(false)
    }

    /// How long the capture is; `None` where that cannot be told before it is read, or nothing can be read in parts.
    fn extent(&self) -> Option<Extent> {
        None
    }

    /// Goes on from a frame at a time or before it, where the capture allows that; tells whether it did. After an error
    /// nothing can be read any more.
    ///
    /// # Errors
    /// The capture cannot be read there.
    fn go_to(&mut self, _ticks: i64) -> Result<bool> {
        Ok(false)
    }

    /// The frames from the first one on, where they lie at known places of a file and none was read yet. Who reads frames
    /// there passes over them here by [`FrameSource::leap`], and reads on from the first that is not as foreseen.
    fn placed(&mut self) -> Option<PlacedFrames> {
        None
    }

    /// Ends reading, also before the last frame, and tells how it went.
    fn finish(self: Box<Self>) -> CaptureEnd;
}
