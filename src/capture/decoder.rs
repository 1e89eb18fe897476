//! Any container, through an external decoder that writes raw pictures into a pipe.
//!
//! The decoder is asked for every frame as it is: no frame invented or discarded, times in the container's
//! own time base, no scaling; turned as the container says, which is what players do. Its messages are read on a thread of their own.

use std::ffi::{OsStr, OsString};
use std::io::{self, Read, Write};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, ChildStdin, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use super::containers;
use super::decoder_log::{Banner, DecoderLog};
use super::limits::{cause_of, sides_allowed};
use super::nut::{NutError, NutFrame, NutReader};
use super::stream_end;
use super::{CaptureEnd, CaptureFacts, Extent, FrameSource, Leap, RateSource};
use crate::cancel::Cancel;
use crate::error::{Error, Result};
use crate::frame::{Family, FrameShape, FrameTiming, PixelFormat};
use crate::note::{Note, NoteCode};
use crate::settings::ReadingSettings;
use crate::units::{gcd, Rate, TimeBase};
use crate::words::counted;

/// Decoder looked for on the search path where none is given.
pub(super) const DEFAULT_DECODER: &str = "ffmpeg";

/// How long the decoder may take to tell its version.
const VERSION_PATIENCE: Duration = Duration::from_secs(10);

/// How long the decoder may take to end once its output has ended.
const EXIT_PATIENCE: Duration = Duration::from_secs(10);

/// How long to wait for messages that precede a frame. They have been written by then; this only gives the
/// thread that reads them its turn.
const MESSAGE_PATIENCE: Duration = Duration::from_secs(1);

/// How long to wait for the last messages after the decoder has ended.
const LAST_WORDS_PATIENCE: Duration = Duration::from_secs(2);

/// How often to look whether a process has ended.
const POLL_INTERVAL: Duration = Duration::from_millis(5);

/// Most bytes of version text kept.
const VERSION_TEXT_MAX: u64 = 64 * 1024;

/// Oldest version that can be told not to scale pictures after a change of size.
const OLDEST_VERSION: (u32, u32) = (4, 4);

/// First version with `-fps_mode`; older ones say `-vsync`.
const FPS_MODE_VERSION: (u32, u32) = (5, 1);

/// First version in which `-enc_time_base demux` asks for the container's time base; older ones say `-1`.
const TIME_BASE_NAME_VERSION: (u32, u32) = (6, 1);

/// Least time the pictures must fall short of the container's duration to be called truncated, in
/// seconds: containers round, and the last picture lasts as long as it likes.
const SHORTFALL_MIN_S: f64 = 0.5;

/// Largest difference between the average and the nominal rate, as a fraction, at which the nominal one is
/// believed: printed rates are rounded to 0.01 Hz, which is 0.1 % at 10 Hz. Variable rates are further off.
const RATE_AGREEMENT: f64 = 0.001;

/// Largest difference from a standard rate at which that rate is meant, as a fraction: the tolerance of
/// SMPTE ST 274. Containers that count milliseconds cannot write 60000/1001 exactly.
const STANDARD_RATE_TOLERANCE: f64 = 10e-6;

/// Fewest frames over which starting the decoder again is quicker than reading on: what it reads before the frame
/// wanted is up to 250 frames by common encoders' default distance of key pictures (common practice, no source), and
/// its start takes as long as some frames.
const LEAP_MIN: u64 = 600;

/// Demuxers that find a time but not the key picture before it.
const UNINDEXED_DEMUXERS: &[&str] = &["mpegts", "mpeg"];

/// Farthest apart that key pictures of such streams usually are, seconds: receivers must start soon after tuning in
/// (common practice, no source).
const KEY_PICTURES_S: f64 = 2.0;

/// Demuxers of raw streams without timestamps: the decoder lays their frames out at a rate it assumes.
const UNTIMED_DEMUXERS: &[&str] = &[
    "h264",
    "hevc",
    "vvc",
    "evc",
    "m4v",
    "mpegvideo",
    "h261",
    "h263",
    "vc1",
    "dirac",
    "cavsvideo",
    "obu",
    "mjpeg",
    "mjpeg_2000",
    "rawvideo",
    "image2",
    "image2pipe",
    "png_pipe",
    "jpeg_pipe",
    "tiff_pipe",
    "bmp_pipe",
];

/// Reads frames from an external decoder.
pub(crate) struct DecoderSource {
    process: DecoderProcess,
    nut: NutReader<ChildStdout>,
    place: String,
    facts: CaptureFacts,
    banner: Banner,
    times_are_invented: bool,
    ticks_per_tick: i64,
    last_delivered: Option<i64>,
    frames_read: u64,
    span: Span,
    notes: Vec<Note>,
    ended: bool,
    cancel: Cancel,
    /// How to start the decoder again farther on; a stream has no farther on.
    restart: Option<Restart>,
    /// The frame that a leap was for.
    found: Option<(Vec<u8>, i64)>,
}

/// What starts the decoder again.
struct Restart {
    program: OsString,
    version: DecoderVersion,
    path: PathBuf,
    wanted: Wanted,
}

/// What is wanted of the decoder.
#[derive(Clone, Copy)]
struct Wanted {
    /// Number of the video stream among the video streams.
    stream: u32,
    /// How many threads it may have; `None` leaves that to it.
    threads: Option<NonZeroUsize>,
}

/// Where the decoder takes the capture from.
pub(crate) enum DecoderInput {
    /// A file that it opens itself.
    File(PathBuf),
    /// A file from the last picture before a time in seconds that needs no earlier one.
    FileFrom(PathBuf, f64),
    /// A stream that is fed to it.
    Stream(Box<dyn Read + Send>),
}

/// First and last time, and the longest step between.
#[derive(Clone, Copy, Debug, Default)]
struct Span {
    first: Option<i64>,
    last: i64,
    longest_step: i64,
    is_apart: bool,
}

impl Span {
    fn add(&mut self, ticks: i64) {
        match self.first {
            None => self.first = Some(ticks),
            Some(_) if self.is_apart => {}
            Some(_) => self.longest_step = self.longest_step.max(ticks.saturating_sub(self.last)),
        }
        self.is_apart = false;
        self.last = ticks;
    }

    /// What follows is farther on: between it and what came before is no step.
    fn restart(&mut self) {
        self.is_apart = true;
    }

    /// From the first frame to the end of the last, if that lasted as long as the longest before it.
    fn seconds(self, time_base: TimeBase) -> f64 {
        let first = self.first.unwrap_or(0);
        time_base.seconds(self.last.saturating_sub(first).saturating_add(self.longest_step))
    }
}

impl DecoderSource {
    /// Starts the decoder on `input`, which `place` names in errors.
    ///
    /// # Errors
    /// A decoder that is missing, unusable or fails before the first frame; a capture without the video
    /// stream asked for, or with one that cannot be taken over.
    pub(crate) fn new(
        input: DecoderInput,
        place: String,
        name: String,
        settings: &ReadingSettings,
        cancel: &Cancel,
    ) -> Result<Self> {
        let program =
            settings.decoder.clone().map_or_else(|| DEFAULT_DECODER.into(), PathBuf::into_os_string);
        let version = DecoderVersion::ask(&program, &place, cancel)?;
        let wanted = Wanted { stream: settings.stream.unwrap_or(0), threads: settings.threads };
        let restart = match &input {
            DecoderInput::File(path) => Some(Restart {
                program: program.clone(),
                version: version.clone(),
                path: path.clone(),
                wanted,
            }),
            DecoderInput::FileFrom(..) | DecoderInput::Stream(_) => None,
        };
        let start = Start { program: &program, version: &version, wanted };
        let (mut process, stdout) = start.decoder(input, &place, cancel)?;
        let nut = match NutReader::new(stdout) {
            Ok(nut) => nut,
            Err(error) => return Err(process.failure_at_start(error, wanted.stream, &place)),
        };
        let banner = process.log.banner(MESSAGE_PATIENCE);
        let shape = shape_of(&nut, &banner, &place)?;
        let invented = UNTIMED_DEMUXERS.contains(&banner.demuxer.as_str());
        let (time_base, ticks_per_tick) = container_time_base(nut.stream().time_base, banner.ticks_hz);
        let mut facts = CaptureFacts {
            name,
            shape,
            scan: banner.scan,
            coding: banner.coding,
            range: banner.range,
            nominal_rate: settings.rate,
            rate_source: settings.rate.map(|_| RateSource::Given),
            time_base: Some(time_base),
            promised_frames: None,
            reader: version.line,
        };
        let mut notes = Vec::new();
        if settings.rate.is_none() {
            facts.nominal_rate = nominal_rate(&banner, nut.stream().rate, time_base);
            let source = if invented { RateSource::Assumed } else { RateSource::Header };
            facts.rate_source = facts.nominal_rate.map(|_| source);
        }
        if invented {
            notes.push(invented_times_note(&facts));
            if settings.rate.is_some() {
                facts.time_base = None;
            }
        }
        if let Some(note) = conversion_note(&banner, shape.pixel_format) {
            notes.push(note);
        }
        notes.extend(banner.turned.map(turned_note));
        Ok(Self {
            process,
            nut,
            place,
            facts,
            banner,
            times_are_invented: invented,
            ticks_per_tick,
            last_delivered: None,
            frames_read: 0,
            span: Span::default(),
            notes,
            ended: false,
            cancel: cancel.clone(),
            restart,
            found: None,
        })
    }

    fn next_frame(&mut self, samples: &mut Vec<u8>) -> std::result::Result<Option<NutFrame>, NutError> {
        let Some(frame) = self.nut.next_frame()? else { return Ok(None) };
        if frame.size == self.facts.shape.byte_len() as u64 {
            self.nut.read_samples(&frame, samples)?;
        }
        Ok(Some(frame))
    }

    /// The time in the capture of a frame delivered at `delivered` ticks.
    ///
    /// The decoder's writer moves a time that is not later than the one before to one of its ticks after
    /// it, and says so; what it says undoes the move.
    fn original_ticks(&mut self, delivered: i64) -> i64 {
        let may_be_moved = self.last_delivered.is_some_and(|last| delivered.saturating_sub(last) == 1);
        self.last_delivered = Some(delivered);
        let moved =
            if may_be_moved { self.process.log.moved_time(delivered, MESSAGE_PATIENCE) } else { None };
        moved.unwrap_or(delivered).div_euclid(self.ticks_per_tick)
    }

    /// Reads on to the frame at `ticks` exactly.
    fn find(&mut self, ticks: i64) -> Result<()> {
        let mut samples = Vec::new();
        while let Some(timing) = self.read_frame(&mut samples)? {
            match timing.ticks {
                Some(now) if now == ticks => {
                    self.found = Some((samples, ticks));
                    return Ok(());
                }
                Some(now) if now < ticks => {}
                _ => break,
            }
        }
        Err(Error::new(
            &self.place,
            "cannot find a frame again",
            format!("no frame at {ticks} ticks after going there"),
            "check that the file does not change while it is read",
        ))
    }

    /// Notes on an output that ended by itself.
    fn note_ending(&mut self) {
        let status = self.process.wait(EXIT_PATIENCE);
        let log = self.process.log.summary(LAST_WORDS_PATIENCE);
        match status {
            Some(status) if status.success() => {}
            Some(status) => self.notes.push(Note::new(
                NoteCode::DecoderErrors,
                format!(
                    "The decoder failed after {} ({}). The frames before that were audited.{} Check the capture, or \
                     record it again.",
                    counted(self.frames_read, "frame"),
                    status_text(status),
                    log.last_error_sentence()
                ),
            )),
            None => self.notes.push(Note::new(
                NoteCode::DecoderErrors,
                "The decoder ended its output but did not exit and was stopped. Check the decoder."
                    .to_owned(),
            )),
        }
        let path = self.restart.as_ref().map(|restart| restart.path.as_path());
        self.notes.extend(stream_end::note(&self.banner.demuxer, path));
        let Some(time_base) = self.facts.time_base.filter(|_| !self.times_are_invented) else { return };
        let Some(promised_s) = self.banner.duration_s else { return };
        let found_s = self.span.seconds(time_base);
        let allowance_s = SHORTFALL_MIN_S.max(time_base.seconds(self.span.longest_step));
        if promised_s - found_s <= allowance_s {
            return;
        }
        let text = format!("The container promises {promised_s:.2} s, and the pictures last {found_s:.2} s.");
        self.notes.push(if self.banner.streams == 1 {
            Note::new(
                NoteCode::Truncated,
                format!("{text} The capture is not whole; record or copy it again."),
            )
        } else {
            Note::new(
                NoteCode::ReaderMessage,
                format!(
                    "{text} Another stream of the container may be the longer one; check that it is whole."
                ),
            )
        });
    }
}

impl FrameSource for DecoderSource {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if let Some((found, ticks)) = self.found.take() {
            *samples = found;
            return Ok(Some(FrameTiming { ticks: Some(ticks), missing_before: 0 }));
        }
        if self.ended {
            return Ok(None);
        }
        let number = self.frames_read;
        match self.next_frame(samples) {
            Ok(None) | Err(_) if self.cancel.is_cancelled() => {
                self.ended = true;
                Err(Error::new(
                    &self.place,
                    "interrupted",
                    "the decoder was stopped",
                    "run it again to the end",
                ))
            }
            Ok(Some(frame)) => {
                let due = self.facts.shape.byte_len() as u64;
                if frame.size != due {
                    return Err(Error::new(
                        &self.place,
                        "picture size or format changes midway",
                        format!("frame {number} has {} bytes, the frames before have {due}", frame.size),
                        "cut the recording where it changes and audit the parts",
                    ));
                }
                let ticks = self.original_ticks(frame.ticks);
                self.span.add(ticks);
                self.frames_read += 1;
                let ticks = self.facts.time_base.map(|_| ticks);
                Ok(Some(FrameTiming { ticks, missing_before: 0 }))
            }
            Ok(None) => {
                self.ended = true;
                self.note_ending();
                Ok(None)
            }
            Err(NutError::Cut) => {
                self.ended = true;
                self.notes.push(Note::new(
                    NoteCode::DecoderErrors,
                    format!(
                        "The decoder's output stops in the middle of frame {number}; that frame is left out."
                    ),
                ));
                self.note_ending();
                Ok(None)
            }
            Err(NutError::Malformed(cause)) => Err(Error::new(
                &self.place,
                format!("cannot read the decoder's output at frame {number}"),
                cause,
                "check the decoder given with --decoder",
            )),
            Err(NutError::Io(error)) => Err(Error::new(
                &self.place,
                format!("cannot read the decoder's output at frame {number}"),
                cause_of(&error),
                "check the decoder given with --decoder",
            )),
        }
    }

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        let Some(ticks) = leap.ticks.filter(|_| self.restart.is_some() && self.facts.time_base.is_some())
        else {
            return Ok(false);
        };
        if leap.frames < LEAP_MIN || self.times_are_invented {
            return Ok(false);
        }
        self.start_at(ticks)?;
        self.find(ticks)?;
        Ok(true)
    }

    fn extent(&self) -> Option<Extent> {
        let base = self.facts.time_base.filter(|_| !self.times_are_invented && self.restart.is_some())?;
        let length_s = self.banner.duration_s?;
        Some(Extent::Ticks((length_s / base.seconds(1)) as i64))
    }

    fn go_to(&mut self, ticks: i64) -> Result<bool> {
        self.start_at(ticks)
    }

    fn finish(mut self: Box<Self>) -> CaptureEnd {
        self.process.stop();
        let log = self.process.log.summary(if self.ended { LAST_WORDS_PATIENCE } else { Duration::ZERO });
        let mut notes = std::mem::take(&mut self.notes);
        notes.extend(log.notes());
        CaptureEnd { notes }
    }
}

impl DecoderSource {
    /// Starts the decoder again at the last picture before a time that needs no earlier one; tells whether it can.
    fn start_at(&mut self, ticks: i64) -> Result<bool> {
        let (Some(restart), Some(base)) = (&self.restart, self.facts.time_base) else { return Ok(false) };
        let margin_s =
            if UNINDEXED_DEMUXERS.contains(&self.banner.demuxer.as_str()) { KEY_PICTURES_S } else { 0.0 };
        let input = DecoderInput::FileFrom(restart.path.clone(), base.seconds(ticks) - margin_s);
        let start = Start { program: &restart.program, version: &restart.version, wanted: restart.wanted };
        let (mut process, stdout) = start.decoder(input, &self.place, &self.cancel)?;
        self.nut = match NutReader::new(stdout) {
            Ok(nut) => nut,
            Err(error) => return Err(process.failure_at_start(error, restart.wanted.stream, &self.place)),
        };
        process.log.banner(MESSAGE_PATIENCE);
        self.process = process;
        self.last_delivered = None;
        self.ended = false;
        self.span.restart();
        Ok(true)
    }
}

fn invented_times_note(facts: &CaptureFacts) -> Note {
    let rate =
        facts.nominal_rate.map_or_else(|| "a rate it assumes".into(), |rate| format!("{rate} frames/s"));
    Note::new(
        NoteCode::TimesAssumed,
        format!(
            "The capture is a raw stream without timestamps; its frames are laid out evenly at {rate}. \
             Timing faults cannot show. Record into a container, or give --rate or --timestamps."
        ),
    )
}

fn conversion_note(banner: &Banner, format: PixelFormat) -> Option<Note> {
    let (from, to) = (banner.decoded_format.as_str(), banner.delivered_format.as_str());
    // `yuvj` is `yuv` with another range flag: the samples are the same.
    let is_same =
        from.is_empty() || to.is_empty() || from.replacen("yuvj", "yuv", 1) == to.replacen("yuvj", "yuv", 1);
    (!is_same).then(|| {
        Note::new(
            NoteCode::PixelsConverted,
            format!(
                "The decoder converted the pixels from {from} to {format} before they were looked at; equal \
                 pictures stay equal, small differences may change."
            ),
        )
    })
}

/// The container's own time base, and how many ticks of `delivered` make one of it.
///
/// The decoder's NUT writer refines a coarse time base by a whole factor. The container's is known only as a
/// rounded tick rate; it is taken where refining it gives exactly what was delivered.
fn container_time_base(delivered: TimeBase, ticks_hz: Option<f64>) -> (TimeBase, i64) {
    let delivered_hz = delivered.den() as f64 / delivered.num() as f64;
    let factor = ticks_hz.map_or(1.0, |hz| (delivered_hz / hz).round());
    if !(2.0..=f64::from(1 << 24)).contains(&factor) {
        return (delivered, 1);
    }
    let factor = factor as u64;
    let (num, den) = (delivered.num() * factor, delivered.den());
    let divisor = gcd(num, den);
    TimeBase::new(num / divisor, den / divisor)
        .filter(|&container| refined(container) == Some(delivered))
        .map_or((delivered, 1), |container| (container, factor as i64))
}

/// What the NUT writer makes of a time base: the numerator loses its factors of 2, 3, 5 … 13, then the
/// denominator doubles, until a tick is short enough.
fn refined(base: TimeBase) -> Option<TimeBase> {
    /// Ticks per second that the writer wants at least.
    const WANTED_HZ: u64 = 48_000;
    /// Denominator from which it doubles no more.
    const DOUBLED_MAX: u64 = 1 << 24;
    let (mut num, mut den) = (base.num(), base.den());
    for factor in [2, 3, 5, 7, 9, 11, 13] {
        while den / num < WANTED_HZ && num % factor == 0 {
            num /= factor;
        }
    }
    while den / num < WANTED_HZ && den < DOUBLED_MAX {
        den *= 2;
    }
    let divisor = gcd(num, den);
    TimeBase::new(num / divisor, den / divisor)
}

/// The nominal rate where the container's average and its finest guess agree with it. Where one tick is one
/// frame, the time base says the rate exactly and the guess is a rounding of it.
fn nominal_rate(banner: &Banner, guessed: Option<Rate>, time_base: TimeBase) -> Option<Rate> {
    let (average, finest, guessed) = (banner.average_hz?, banner.finest_hz?, guessed?);
    let near = |hz: f64| (hz / average - 1.0).abs() <= RATE_AGREEMENT;
    if !near(finest) {
        return None;
    }
    let tick_rate = Rate::new(time_base.den(), time_base.num()).filter(|rate| near(rate.hz()));
    let rate = tick_rate.or(Some(guessed).filter(|rate| near(rate.hz())))?;
    Some(Rate::nearest_standard(rate.hz(), STANDARD_RATE_TOLERANCE).unwrap_or(rate))
}

fn shape_of(nut: &NutReader<ChildStdout>, banner: &Banner, place: &str) -> Result<FrameShape> {
    let stream = nut.stream();
    if !sides_allowed(stream.width, stream.height) {
        return Err(Error::new(
            place,
            "picture size not supported",
            format!(
                "{}x{} is not in 1 to {} pixels a side",
                stream.width,
                stream.height,
                FrameShape::SIDE_MAX
            ),
            "crop or scale the recording",
        ));
    }
    let pixel_format = pixel_format_of(&stream.fourcc).ok_or_else(|| {
        let delivered = &banner.delivered_format;
        Error::new(
            place,
            "unsupported pixel format",
            format!("the decoder delivers {} {delivered}", stream.fourcc.escape_ascii()).trim_end(),
            "convert the recording to planar YUV, gray or RGB of 8 to 16 bit",
        )
    })?;
    Ok(FrameShape { width: stream.width as u32, height: stream.height as u32, pixel_format })
}

/// Deep planar formats have systematic codes: letters for the family, chroma subsampling, bits.
/// Source: what the decoder writes for each of its pixel formats, listed in the tests.
fn pixel_format_of(fourcc: &[u8]) -> Option<PixelFormat> {
    let yuv = |across, down| Family::Yuv { across, down };
    let (family, bit_depth) = match *fourcc {
        [b'I', b'4', b'2', b'0'] => (yuv(1, 1), 8),
        [b'Y', b'4', b'2', b'B'] => (yuv(1, 0), 8),
        [b'4', b'4', b'4', b'P'] => (yuv(0, 0), 8),
        [b'4', b'4', b'0', b'P'] => (yuv(0, 1), 8),
        [b'Y', b'4', b'1', b'B'] => (yuv(2, 0), 8),
        [b'Y', b'U', b'V', b'9'] => (yuv(2, 2), 8),
        [b'Y', b'8', b'0', b'0'] => (Family::Gray, 8),
        [b'Y', b'3', 11, bits] => (yuv(1, 1), bits),
        [b'Y', b'3', 10, bits] => (yuv(1, 0), bits),
        [b'Y', b'3', 0, bits] => (yuv(0, 0), bits),
        [b'Y', b'1', 0, bits] => (Family::Gray, bits),
        [b'G', b'3', 0, bits] => (Family::Gbr, bits),
        _ => return None,
    };
    let allowed = PixelFormat::BIT_DEPTH_MIN..=PixelFormat::BIT_DEPTH_MAX;
    allowed.contains(&bit_depth).then_some(PixelFormat { family, bit_depth })
}

/// What was done because of the container's rotation, degrees.
fn turned_note(degrees: f64) -> Note {
    Note::new(
        NoteCode::PictureTurned,
        format!("The file says that players turn its picture by {degrees:.0}°. It was turned before it was looked at."),
    )
}

/// Pixel formats taken as they are. The decoder converts anything else to the nearest of these.
fn accepted_formats() -> String {
    let mut formats: Vec<String> = ["410", "411", "420", "422", "440", "444"]
        .iter()
        .flat_map(|chroma| [format!("yuv{chroma}p"), format!("yuvj{chroma}p")])
        .filter(|name| name != "yuvj410p")
        .collect();
    formats.extend(["gray".to_owned(), "gbrp".to_owned()]);
    for bits in [9, 10, 12, 14, 16] {
        for name in ["yuv420p", "yuv422p", "yuv444p", "gray", "gbrp"] {
            formats.push(format!("{name}{bits}le"));
        }
    }
    formats.join("|")
}

/// Name and version of the decoder program, e.g. `ffmpeg version 5.1.9`; `None` looks for it on the search path.
///
/// # Errors
/// It is missing, or cannot be used.
pub fn decoder_version(program: Option<&Path>) -> Result<String> {
    let program = program.map_or(OsStr::new(DEFAULT_DECODER), Path::as_os_str);
    DecoderVersion::ask(program, &program.to_string_lossy(), &Cancel::default()).map(|version| version.line)
}

/// A decoder's version, as it tells it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct DecoderVersion {
    /// Name and version, e.g. `ffmpeg version 5.1.9`.
    line: String,
    /// Major and minor; unnumbered builds count as newest.
    number: (u32, u32),
}

impl DecoderVersion {
    pub(super) fn ask(program: &OsStr, place: &str, cancel: &Cancel) -> Result<Self> {
        let shown = program.to_string_lossy();
        let hint = "install ffmpeg, or give its path with --decoder; YUV4MPEG2 and numbered images need none";
        let mut command = Command::new(program);
        command.arg("-version").stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null());
        let (child, pipes) = RunningChild::start(&mut command, cancel).map_err(|error| {
            let cause = match error.kind() {
                io::ErrorKind::NotFound => format!("{shown}: no such program"),
                _ => format!("{shown}: {}", cause_of(&error)),
            };
            Error::new(place, "cannot start decoder", cause, hint)
        })?;
        let stdout = pipes.stdout;
        let (sender, receiver) = std::sync::mpsc::channel();
        thread::spawn(move || {
            let mut text = Vec::new();
            if let Some(stdout) = stdout {
                // What was read before an error is judged like a short answer.
                let _ = stdout.take(VERSION_TEXT_MAX).read_to_end(&mut text);
            }
            let _ = sender.send(text);
        });
        let text = receiver.recv_timeout(VERSION_PATIENCE).unwrap_or_default();
        child.end();
        let unusable = |cause: String| Error::new(place, "unusable decoder", cause, hint);
        let version = Self::parse(&String::from_utf8_lossy(&text))
            .ok_or_else(|| unusable(format!("{shown}: does not tell an ffmpeg version")))?;
        if version.number < OLDEST_VERSION {
            let (major, minor) = OLDEST_VERSION;
            return Err(unusable(format!("{}; needed is {major}.{minor} or newer", version.line)));
        }
        Ok(version)
    }

    fn parse(text: &str) -> Option<Self> {
        let first = text.lines().next()?;
        let word = first.strip_prefix("ffmpeg version ")?.split_whitespace().next()?;
        let mut numbers = word.trim_start_matches('n').split(|c: char| !c.is_ascii_digit());
        let major = numbers.next().and_then(|number| number.parse().ok());
        let minor = numbers.next().and_then(|number| number.parse().ok()).unwrap_or(0);
        // Builds between releases are called after a commit or a date.
        let number = major.filter(|&major| major < 1000).map_or((u32::MAX, 0), |major| (major, minor));
        Some(Self { line: format!("ffmpeg version {word}"), number })
    }

    /// Arguments that make the decoder deliver a video stream of `input` untouched.
    fn arguments(&self, input: &DecoderInput, Wanted { stream, threads }: Wanted) -> Vec<OsString> {
        let mut arguments: Vec<OsString> =
            ["-hide_banner", "-nostdin", "-nostats", "-loglevel", "level+info", "-copyts"]
                .map(OsString::from)
                .into();
        if let DecoderInput::FileFrom(_, seconds) = input {
            let seconds = format!("{seconds:.6}");
            let from = ["-noaccurate_seek", "-seek_timestamp", "1", "-ss", &seconds];
            arguments.extend(from.map(OsString::from));
        }
        let protocol = if matches!(input, DecoderInput::Stream(_)) { "pipe" } else { "file" };
        arguments.extend(containers::input_options(protocol).map(OsString::from));
        if let Some(threads) = threads {
            arguments.extend(["-threads".into(), threads.to_string().into()]);
        }
        arguments.push("-i".into());
        arguments.push(match input {
            // The prefix keeps a name with a colon from being taken for a network address.
            DecoderInput::File(path) | DecoderInput::FileFrom(path, _) => {
                let mut argument = OsString::from("file:");
                argument.push(path);
                argument
            }
            DecoderInput::Stream(_) => "pipe:0".into(),
        });
        let pass_through = if self.number >= FPS_MODE_VERSION { "-fps_mode" } else { "-vsync" };
        let time_base = if self.number >= TIME_BASE_NAME_VERSION { "demux" } else { "-1" };
        let map = format!("0:V:{stream}");
        let format = format!("format={}", accepted_formats());
        arguments.extend(
            [
                "-map",
                &map,
                "-map_metadata",
                "-1",
                "-map_chapters",
                "-1",
                "-noautoscale",
                "-vf",
                &format,
                pass_through,
                "passthrough",
                "-enc_time_base",
                time_base,
                "-c:v",
                "rawvideo",
                "-f",
                "nut",
                "-write_index",
                "0",
                "pipe:1",
            ]
            .map(OsString::from),
        );
        arguments
    }
}

/// A running decoder. Stopped and reaped when dropped.
struct DecoderProcess {
    child: RunningChild,
    log: DecoderLog,
    status: Option<ExitStatus>,
}

/// Which decoder is started for which stream.
struct Start<'a> {
    program: &'a OsStr,
    version: &'a DecoderVersion,
    wanted: Wanted,
}

impl Start<'_> {
    fn decoder(
        &self,
        input: DecoderInput,
        place: &str,
        cancel: &Cancel,
    ) -> Result<(DecoderProcess, ChildStdout)> {
        let stdin = match input {
            DecoderInput::File(_) | DecoderInput::FileFrom(..) => Stdio::null(),
            DecoderInput::Stream(_) => Stdio::piped(),
        };
        let failed = |cause: String| {
            Error::new(place, "cannot start decoder", cause, "check the decoder given with --decoder")
        };
        let mut command = Command::new(self.program);
        command
            .args(self.version.arguments(&input, self.wanted))
            .env("AV_LOG_FORCE_NOCOLOR", "1")
            .stdin(stdin)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let (child, pipes) =
            RunningChild::start(&mut command, cancel).map_err(|error| failed(cause_of(&error)))?;
        if let (DecoderInput::Stream(mut capture), Some(mut target)) = (input, pipes.stdin) {
            // Ends with the capture or when the decoder closes its end; nobody waits for it, because a
            // capture that stalls would make the wait endless.
            thread::spawn(move || {
                let _ = io::copy(&mut capture, &mut target).and_then(|_| target.flush());
            });
        }
        let (Some(stdout), Some(stderr)) = (pipes.stdout, pipes.stderr) else {
            child.end();
            return Err(failed("its output is not connected".into()));
        };
        enlarge_pipe(&stdout);
        Ok((DecoderProcess { child, log: DecoderLog::drain(stderr), status: None }, stdout))
    }
}

impl DecoderProcess {
    /// Waits for the process to end; `None` if it had to be stopped.
    fn wait(&mut self, patience: Duration) -> Option<ExitStatus> {
        let deadline = Instant::now() + patience;
        loop {
            match self.child.try_wait() {
                Ok(Some(status)) => {
                    self.status = Some(status);
                    return Some(status);
                }
                Ok(None) if Instant::now() < deadline => thread::sleep(POLL_INTERVAL),
                _ => {
                    self.stop();
                    return None;
                }
            }
        }
    }

    fn stop(&mut self) {
        if self.status.is_none() {
            self.child.end();
        }
    }

    /// Why no frame could be read.
    fn failure_at_start(&mut self, error: NutError, stream: u32, place: &str) -> Error {
        let status = match error {
            NutError::Cut => self.wait(EXIT_PATIENCE),
            _ => None,
        };
        self.stop();
        let log = self.log.summary(LAST_WORDS_PATIENCE);
        if log.lacks_stream {
            return Error::new(
                place,
                "no video stream",
                format!("the capture has no video stream {stream}"),
                "video streams count from 0; choose one with --stream",
            );
        }
        if log.refused_container {
            return Error::new(
                place,
                "not a recording that holds its own pictures",
                "playlists, manifests and scripts name other files, and these are not followed",
                "give the recording itself",
            );
        }
        let cause = match (&log.last_error, error) {
            (Some(message), _) => own_words(message),
            (None, NutError::Malformed(cause)) => format!("it does not deliver NUT: {cause}"),
            (None, NutError::Io(error)) => cause_of(&error),
            (None, NutError::Cut) => match status {
                Some(status) => format!("no picture came out ({})", status_text(status)),
                None => "no picture came out".into(),
            },
        };
        Error::new(
            place,
            "the decoder cannot read the capture",
            cause,
            "check that the file is a whole video recording",
        )
    }
}

impl Drop for DecoderProcess {
    fn drop(&mut self) {
        self.stop();
    }
}

/// A message of the decoder without the file name in front and with a small first letter, as in other errors.
fn own_words(message: &str) -> String {
    let last = message.rsplit_once(": ").map_or(message, |(_, last)| last);
    let text = if message.starts_with("file:") || message.starts_with("pipe:") { last } else { message };
    let mut letters = text.chars();
    let first = letters.next().map(|letter| letter.to_ascii_lowercase());
    first.into_iter().chain(letters).collect::<String>().trim_end_matches('.').to_owned()
}

/// Keeps an interrupt from the keyboard away from the decoder, so that this program decides how reading ends.
#[cfg(unix)]
fn shield_from_interrupt(command: &mut Command) {
    std::os::unix::process::CommandExt::process_group(command, 0);
}

/// Keeps an interrupt from the keyboard away from the decoder, so that this program decides how reading ends.
#[cfg(windows)]
fn shield_from_interrupt(command: &mut Command) {
    /// `CREATE_NEW_PROCESS_GROUP` of the Windows process creation flags.
    const NEW_PROCESS_GROUP: u32 = 0x200;
    std::os::windows::process::CommandExt::creation_flags(command, NEW_PROCESS_GROUP);
}

#[cfg(not(any(unix, windows)))]
fn shield_from_interrupt(_command: &mut Command) {}

/// Lets the decoder run further ahead. Measured at 1080p: a fifth of the context switches, a tenth less
/// processor time.
#[cfg(target_os = "linux")]
fn enlarge_pipe(pipe: &ChildStdout) {
    /// The most that Linux allows without privileges by default, in bytes (pipe(7), `pipe-max-size`).
    const PIPE_SIZE: usize = 1024 * 1024;
    // A smaller pipe is slower, not wrong.
    let _ = rustix::pipe::fcntl_setpipe_size(pipe, PIPE_SIZE);
}

#[cfg(not(target_os = "linux"))]
fn enlarge_pipe(_pipe: &ChildStdout) {}

/// A child process that a cancel ends.
pub(super) struct RunningChild(Arc<Mutex<Child>>);

/// The ends of its pipes that are ours.
pub(super) struct Pipes {
    pub(super) stdin: Option<ChildStdin>,
    pub(super) stdout: Option<ChildStdout>,
    pub(super) stderr: Option<ChildStderr>,
}

impl RunningChild {
    pub(super) fn start(command: &mut Command, cancel: &Cancel) -> io::Result<(Self, Pipes)> {
        shield_from_interrupt(command);
        let mut child = command.spawn()?;
        let pipes =
            Pipes { stdin: child.stdin.take(), stdout: child.stdout.take(), stderr: child.stderr.take() };
        let child = Self(Arc::new(Mutex::new(child)));
        let braked = Self(Arc::clone(&child.0));
        // Its output ends with it, and with that whoever waits for it.
        cancel.on_cancel(move || braked.end());
        Ok((child, pipes))
    }

    fn lock(&self) -> MutexGuard<'_, Child> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn try_wait(&self) -> io::Result<Option<ExitStatus>> {
        self.lock().try_wait()
    }

    /// Stops the process, if it still runs, and reaps it.
    pub(super) fn end(&self) {
        let mut child = self.lock();
        // Killing a process that has ended is no error worth telling.
        let _ = child.kill();
        let _ = child.wait();
    }
}

fn status_text(status: ExitStatus) -> String {
    match status.code() {
        Some(code) => format!("exit status {code}"),
        None => "stopped by a signal".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_read_from_the_first_line() {
        for (text, line, number) in [
            ("ffmpeg version 5.1.9-0+deb12u1 Copyright (c)\nbuilt", "ffmpeg version 5.1.9-0+deb12u1", (5, 1)),
            ("ffmpeg version n6.1 Copyright", "ffmpeg version n6.1", (6, 1)),
            ("ffmpeg version 8.0", "ffmpeg version 8.0", (8, 0)),
            ("ffmpeg version 4 x", "ffmpeg version 4", (4, 0)),
            ("ffmpeg version N-112341-gabcdef", "ffmpeg version N-112341-gabcdef", (u32::MAX, 0)),
            ("ffmpeg version 2024-01-01-git-e1", "ffmpeg version 2024-01-01-git-e1", (u32::MAX, 0)),
        ] {
            assert_eq!(
                DecoderVersion::parse(text),
                Some(DecoderVersion { line: line.into(), number }),
                "{text}"
            );
        }
        for text in ["", "cat: invalid option", "ffmpeg version", "ffmpeg version "] {
            assert_eq!(DecoderVersion::parse(text), None, "{text}");
        }
    }

    #[test]
    fn arguments_fit_the_version() {
        for (number, pass_through, time_base) in [
            ((4, 4), "-vsync passthrough", "-enc_time_base -1"),
            ((5, 1), "-fps_mode passthrough", "-enc_time_base -1"),
            ((6, 0), "-fps_mode passthrough", "-enc_time_base -1"),
            ((6, 1), "-fps_mode passthrough", "-enc_time_base demux"),
            ((u32::MAX, 0), "-fps_mode passthrough", "-enc_time_base demux"),
        ] {
            let version = DecoderVersion { line: String::new(), number };
            let arguments: Vec<String> = version
                .arguments(
                    &DecoderInput::File("a:b".into()),
                    Wanted { stream: 2, threads: NonZeroUsize::new(3) },
                )
                .into_iter()
                .map(|a| a.into_string().unwrap())
                .collect();
            let line = arguments.join(" ");
            for part in [
                pass_through,
                time_base,
                "-protocol_whitelist file -format_whitelist ",
                "-threads 3 -i file:a:b -map 0:V:2",
                "-copyts",
                "-noautoscale",
            ] {
                assert!(line.contains(part), "{number:?} {part}: {line}");
            }
        }
    }

    #[test]
    fn pixel_formats_are_told_from_their_codes() {
        for (code, name) in [
            (&b"I420"[..], "yuv420p"),
            (b"Y42B", "yuv422p"),
            (b"444P", "yuv444p"),
            (b"440P", "yuv440p"),
            (b"Y41B", "yuv411p"),
            (b"YUV9", "yuv410p"),
            (b"Y800", "gray"),
            (b"Y3\x0b\x0a", "yuv420p10"),
            (b"Y3\x0a\x0c", "yuv422p12"),
            (b"Y3\0\x10", "yuv444p16"),
            (b"Y1\0\x0e", "gray14"),
            (b"G3\0\x08", "gbrp"),
            (b"G3\0\x09", "gbrp9"),
        ] {
            assert_eq!(pixel_format_of(code).map(|format| format.to_string()).as_deref(), Some(name));
        }
        for code in [&b"NV12"[..], b"Y3\x0b\x11", b"Y3\x0b\x07", b"", b"I42", b"I4200"] {
            assert_eq!(pixel_format_of(code), None, "{code:?}");
        }
    }

    #[test]
    fn refined_time_bases_go_back_to_the_containers() {
        let base = |num, den| TimeBase::new(num, den).unwrap();
        for (container, delivered, ticks_hz) in [
            (base(1, 90_000), base(1, 90_000), 90_000.0),
            (base(1, 24_000), base(1, 48_000), 24_000.0),
            (base(1, 12_800), base(1, 51_200), 12_800.0),
            (base(1, 1000), base(1, 64_000), 1000.0),
            (base(100, 2807), base(1, 89_824), 28.07),
            (base(66_667, 1_000_000), base(66_667, 32_000_000), 15.0),
            (base(1001, 30_000), base(1, 60_000), 29.97),
            (base(1, 25), base(1, 51_200), 25.0),
        ] {
            assert_eq!(refined(container), Some(delivered));
            let factor = delivered.den() * container.num() / (container.den() * delivered.num());
            assert_eq!(container_time_base(delivered, Some(ticks_hz)), (container, factor as i64));
        }
        // Where the account does not fit, what was delivered is taken as it is.
        for ticks_hz in [None, Some(25.0), Some(0.0), Some(f64::NAN), Some(1e9)] {
            assert_eq!(container_time_base(base(1, 90_000), ticks_hz), (base(1, 90_000), 1));
        }
    }

    #[test]
    fn a_missing_or_wrong_program_is_named() {
        let settings =
            ReadingSettings { decoder: Some("no-such-decoder".into()), ..ReadingSettings::default() };
        let input = DecoderInput::File("a.mp4".into());
        let error = DecoderSource::new(input, "a.mp4".into(), "a.mp4".into(), &settings, &Cancel::default())
            .err()
            .unwrap();
        assert_eq!(
            crate::capture::testing::shown(&error),
            "a.mp4: cannot start decoder: no-such-decoder: no such program\n\
             install ffmpeg, or give its path with --decoder; YUV4MPEG2 and numbered images need none"
        );
    }

    /// Decoders that misbehave, played by a script.
    #[cfg(unix)]
    mod stand_in {
        use super::*;
        use crate::capture::nut::tests::NutWriter;
        use crate::capture::testing::{read_all, shown, Outcome};
        use std::io::Cursor;

        const ACCOUNT: &str = r#"cat >&2 <<'END'
[info] Input #0, matroska,webm, from 'file:x':
[info]   Duration: 00:00:00.12, start: 0.000000, bitrate: 1 kb/s
[info]   Stream #0:0: Video: ffv1, gray(progressive), 2x2, 25 fps, 25 tbr, 1k tbn (default)
[info] Stream mapping:
[info]   Stream #0:0 -> #0:0 (ffv1 (native) -> rawvideo (native))
[info] Output #0, nut, to 'pipe:1':
[info]   Stream #0:0: Video: rawvideo (Y800 / 0x30303859), gray(progressive), 2x2, q=2-31, 25 fps, 64k tbn
END
"#;

        fn nut() -> NutWriter {
            let writer = NutWriter::new(b"Y800", 2, 2, TimeBase::new(1, 64_000).unwrap());
            (0..3).fold(writer, |writer, k| writer.frame(k * 40 * 64, &[k as u8; 4]))
        }

        /// A folder with the commands in `capture` and `nut` beside it.
        fn start(commands: &str, nut: &[u8]) -> (tempfile::TempDir, Result<DecoderSource>) {
            let folder = tempfile::tempdir().unwrap();
            let capture = folder.path().join("capture");
            std::fs::write(&capture, commands).unwrap();
            std::fs::write(folder.path().join("capture.nut"), nut).unwrap();
            let source = DecoderSource::new(
                DecoderInput::File(capture),
                "capture".into(),
                "capture".into(),
                &settings(),
                &Cancel::default(),
            );
            (folder, source)
        }

        fn settings() -> ReadingSettings {
            let decoder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fixtures/stand-in-decoder");
            ReadingSettings { decoder: Some(decoder.into()), ..ReadingSettings::default() }
        }

        fn read(commands: &str, nut: &[u8]) -> Outcome {
            let (_folder, source) = start(commands, nut);
            read_all(Box::new(source.unwrap()))
        }

        fn refusal(commands: &str) -> String {
            shown(&start(commands, &[]).1.err().unwrap())
        }

        #[test]
        fn a_well_behaved_one_is_believed() {
            let (_folder, source) = start(&format!(r#"{ACCOUNT} cat "$capture.nut""#), &nut().bytes);
            let source = source.unwrap();
            let facts = source.facts().clone();
            assert_eq!(facts.time_base, TimeBase::new(1, 1000));
            assert_eq!(facts.nominal_rate, Rate::new(25, 1));
            assert_eq!(facts.rate_source, Some(RateSource::Header));
            assert_eq!(facts.reader, "ffmpeg version 5.1-stand-in");
            let outcome = read_all(Box::new(source));
            assert_eq!(outcome.ticks(), [0, 40, 80].map(Some));
            assert_eq!((outcome.error, outcome.notes), (None, vec![]));
        }

        #[test]
        fn a_silent_one_is_read_too() {
            let outcome = read(r#"cat "$capture.nut""#, &nut().bytes);
            assert_eq!(outcome.ticks(), [0, 2560, 5120].map(Some));
            assert!(outcome.notes.is_empty());
        }

        #[test]
        fn moved_times_are_moved_back() {
            // The writer turned 40, 40, 20 ms into 40 ms and the next two of its own ticks.
            let moved = "[nut @ 0x1] [warning] Non-monotonic DTS; previous: 2560, current: 2560; changing to 2561.\n\
                         [warning] Non-monotonous DTS in output stream 0:0; previous: 2561, current: 1280; changing to 2562.";
            let commands = format!("{ACCOUNT} echo '{moved}' >&2; cat \"$capture.nut\"");
            let base = TimeBase::new(1, 64_000).unwrap();
            let nut = [2560, 2561, 2562, 5120]
                .iter()
                .fold(NutWriter::new(b"Y800", 2, 2, base), |nut, &ticks| nut.frame(ticks, b"abcd"));
            let outcome = read(&commands, &nut.bytes);
            assert_eq!(outcome.ticks(), [40, 40, 20, 80].map(Some));
            assert_eq!(outcome.notes, []);
        }

        #[test]
        fn failing_late_keeps_the_frames_and_says_so() {
            let commands = r#"cat "$capture.nut"; echo "[error] disk fell off" >&2; exit 69"#;
            let outcome = read(commands, &nut().bytes);
            assert_eq!(outcome.frames.len(), 3);
            assert_eq!(outcome.error, None);
            let texts: Vec<&str> = outcome.notes.iter().map(|note| note.text.as_str()).collect();
            assert_eq!(
                texts,
                [
                    "The decoder failed after 3 frames (exit status 69). The frames before that were audited. \
                     It said: disk fell off. Check the capture, or record it again.",
                    "The decoder reported 1 error. Pictures near it may be damaged or missing: disk fell off.",
                ]
            );
            assert!(outcome.notes.iter().all(|note| note.code.makes_incomplete()));
        }

        #[test]
        fn exit_status_0_after_a_cut_file_comes_out_incomplete() {
            let said =
                r#"cat "$capture.nut"; echo "[mov @ 0x1] [error] stream 0, offset 0x1: partial file" >&2"#;
            assert_eq!(read(said, &nut().bytes).note_codes(), [NoteCode::Truncated, NoteCode::DecoderErrors]);
            let unsaid = format!(r#"{ACCOUNT} cat "$capture.nut""#).replace("00:00:00.12", "00:00:10.00");
            let outcome = read(&unsaid, &nut().bytes);
            assert_eq!(outcome.note_codes(), [NoteCode::Truncated]);
            assert_eq!(
                outcome.notes[0].text,
                "The container promises 10.00 s, and the pictures last 0.12 s. The capture is not whole; record \
                 or copy it again."
            );
            let with_sound =
                unsaid.replace("[info] Stream map", "[info]   Stream #0:1: Audio: opus\n[info] Stream map");
            assert_eq!(read(&with_sound, &nut().bytes).note_codes(), [NoteCode::ReaderMessage]);
        }

        #[test]
        fn output_cut_in_a_frame_keeps_whole_frames() {
            let bytes = nut().bytes;
            let outcome = read(r#"cat "$capture.nut""#, &bytes[..bytes.len() - 1]);
            assert_eq!(outcome.frames.len(), 2);
            assert_eq!(outcome.note_codes(), [NoteCode::DecoderErrors]);
            assert_eq!(
                outcome.notes[0].text,
                "The decoder's output stops in the middle of frame 2; that frame is left out."
            );
        }

        #[test]
        fn a_change_of_size_midway_is_an_error() {
            let outcome = read(r#"cat "$capture.nut""#, &nut().frame(7680, &[1; 9]).bytes);
            assert_eq!(outcome.frames.len(), 3);
            assert_eq!(
                shown(&outcome.error.unwrap()),
                "capture: picture size or format changes midway: frame 3 has 9 bytes, the frames before have 4\n\
                 cut the recording where it changes and audit the parts"
            );
        }

        #[test]
        fn failing_at_the_start_is_named() {
            let hint = "check that the file is a whole video recording";
            for (commands, cause) in [
                ("exit 3", "no picture came out (exit status 3)"),
                ("echo '[error] file:x: Invalid data found' >&2; exit 1", "invalid data found"),
                (
                    "echo nonsense that is long enough to be no header",
                    "it does not deliver NUT: it does not start with the NUT magic",
                ),
            ] {
                let expected = format!("capture: the decoder cannot read the capture: {cause}\n{hint}");
                assert_eq!(refusal(commands), expected);
            }
            assert_eq!(
                refusal("echo \"[fatal] Stream map '0:V:0' matches no streams.\" >&2; exit 1"),
                "capture: no video stream: the capture has no video stream 0\n\
                 video streams count from 0; choose one with --stream"
            );
        }

        #[test]
        fn an_unsupported_format_or_size_is_named() {
            let base = TimeBase::new(1, 25).unwrap();
            for (fourcc, side, message) in [
                (b"NV12", 2, "unsupported pixel format: the decoder delivers NV12"),
                (
                    b"Y800",
                    20_000,
                    "picture size not supported: 20000x20000 is not in 1 to 16384 pixels a side",
                ),
            ] {
                let bytes = NutWriter::new(fourcc, side, side, base).bytes;
                let error = start(r#"cat "$capture.nut""#, &bytes).1.err().unwrap();
                assert_eq!(error.to_string(), format!("capture: {message}"));
            }
        }

        #[test]
        fn endless_messages_neither_block_nor_fill_memory() {
            // Far more than a pipe holds, in lines and in one endless line, before and after the pictures.
            let chatter = "yes '[error] something is wrong with this picture' | head -n 200000 >&2; \
                           yes | tr -d '\\n' | head -c 10000000 >&2; echo >&2;";
            let outcome = read(&format!(r#"{chatter} cat "$capture.nut"; {chatter}"#), &nut().bytes);
            assert_eq!(outcome.frames.len(), 3);
            assert_eq!(outcome.note_codes(), [NoteCode::DecoderErrors]);
            let text = &outcome.notes[0].text;
            assert!(
                text.starts_with("The decoder reported 400\u{202f}000 errors.") && text.len() < 500,
                "{text}"
            );
        }

        #[test]
        fn stopping_early_ends_the_process() {
            let commands = r#"echo $$ >"$capture.pid"; cat "$capture.nut"; exec sleep 600"#;
            let (folder, source) = start(commands, &nut().bytes);
            let mut source = Box::new(source.unwrap());
            assert!(source.read_frame(&mut Vec::new()).unwrap().is_some());
            let started = Instant::now();
            assert_eq!(source.finish().notes, []);
            assert!(started.elapsed() < Duration::from_secs(5));
            let id = std::fs::read_to_string(folder.path().join("capture.pid")).unwrap();
            let status = Command::new("kill").args(["-0", id.trim()]).stderr(Stdio::null()).status().unwrap();
            assert!(!status.success(), "process {id} still runs or is a zombie");
        }

        #[test]
        fn a_stream_is_fed_to_the_decoder() {
            // The stand-in reads its commands from standard input; the pictures follow as octal numbers.
            let octal: String = nut().bytes.iter().map(|byte| format!("\\{byte:03o}")).collect();
            let commands = format!("printf '{octal}'\n");
            let input = DecoderInput::Stream(Box::new(Cursor::new(commands.into_bytes())));
            let source = DecoderSource::new(
                input,
                "standard input".into(),
                "x".into(),
                &settings(),
                &Cancel::default(),
            )
            .unwrap();
            assert_eq!(read_all(Box::new(source)).frames.len(), 3);
        }

        #[test]
        fn a_program_that_is_no_decoder_is_named() {
            let settings = ReadingSettings { decoder: Some("true".into()), ..ReadingSettings::default() };
            let input = DecoderInput::File("a.mp4".into());
            let error =
                DecoderSource::new(input, "a.mp4".into(), "a.mp4".into(), &settings, &Cancel::default())
                    .err()
                    .unwrap();
            assert_eq!(error.to_string(), "a.mp4: unusable decoder: true: does not tell an ffmpeg version");
        }
    }
}
