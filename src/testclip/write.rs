//! The clip as YUV4MPEG2, frame by frame, in the memory of one frame.

use std::io::{ErrorKind, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use super::painter::ClipPainter;
use super::settings::ClipSettings;
use crate::error::{plain_cause, Error, Result};
use crate::frame::Scan;
use crate::pipeline::Progress;

/// How writing ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// With the clip's last frame.
    Whole,
    /// From outside, after a whole frame.
    Interrupted,
    /// Whoever reads the output wants no more.
    ReaderGone,
}

/// What was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Written {
    /// Whole frames.
    pub frames: u64,
    /// How it ended.
    pub ended: Ended,
}

/// Paints the clip into `out`, which errors call `place`, until its end or until `stop` is set.
///
/// # Errors
/// Settings that cannot be painted, before anything is written, or an output that cannot be written.
pub fn write_clip(
    settings: &ClipSettings,
    (place, mut out): (&str, impl Write),
    (progress, stop): (&dyn Progress, &AtomicBool),
) -> Result<Written> {
    let mut painter = ClipPainter::new(settings)?;
    let mut written = Written { frames: 0, ended: Ended::Whole };
    let mut write = |bytes: &[u8], last: bool| {
        let done = out.write_all(bytes).and_then(|()| if last { out.flush() } else { Ok(()) });
        match done {
            Ok(()) => Ok(true),
            Err(cause) if cause.kind() == ErrorKind::BrokenPipe => Ok(false),
            Err(cause) => Err(Error::new(
                place,
                "cannot write the test clip",
                plain_cause(&cause),
                "free some space, choose another place, or a shorter clip with --length",
            )),
        }
    };
    let mut open = write(header(settings).as_bytes(), false)?;
    for frame in 0..settings.frames {
        if stop.load(Ordering::Relaxed) {
            written.ended = Ended::Interrupted;
            break;
        }
        open = open && write(b"FRAME\n", false)? && write(painter.paint(frame), false)?;
        if !open {
            break;
        }
        written.frames += 1;
        progress.frames_done(written.frames, Some(settings.frames));
    }
    if !open || !write(b"", true)? {
        written.ended = Ended::ReaderGone;
    }
    Ok(written)
}

/// The stream header. `420mpeg2` is the siting of H.262 and H.264: chroma samples in the columns of luma samples.
fn header(settings: &ClipSettings) -> String {
    let size = settings.size;
    let (across, down) = size.pixel_aspect;
    let scan = match settings.scan {
        Scan::TopFieldFirst => 't',
        Scan::BottomFieldFirst => 'b',
        _ => 'p',
    };
    let format = match settings.bit_depth {
        8 => "C420mpeg2 XYSCSS=420MPEG2".to_owned(),
        depth => format!("C420p{depth} XYSCSS=420P{depth}"),
    };
    format!(
        "YUV4MPEG2 W{} H{} F{}:{} I{scan} A{across}:{down} {format} XCOLORRANGE=LIMITED\n",
        size.width,
        size.height,
        settings.rate.num(),
        settings.rate.den()
    )
}
