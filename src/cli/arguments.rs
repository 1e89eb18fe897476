//! The command line, in the words of the glossary.

use std::ffi::OsString;
use std::fmt::Write;
use std::num::NonZeroUsize;
use std::path::PathBuf;

use chrono::FixedOffset;
use clap::{Args, Parser, Subcommand, ValueEnum};
use evenbeat::capture::Part;
use evenbeat::error::Result;
use evenbeat::frame::{Rect, Scan};
use evenbeat::pipeline::WORKERS_MAX;
use evenbeat::settings::{PathNames, ReadingSettings, Settings, ViewSettings};
use evenbeat::testclip::settings::{Size, SIZES};
use evenbeat::testclip::{ClipSettings, Pulldown};
use evenbeat::units::Rate;
use evenbeat::verdict::gate::{Measure, Requirement, MEASURES};
use evenbeat::verdict::Severity;

use super::about::AboutArguments;
use super::campaign::CampaignArguments;
use super::compare::CompareArguments;
use super::join::JoinArguments;

const ABOUT: &str = "Tells from the recording of a playback device which frames show a new picture, which repeat one, and how \
even the motion is";

/// Audit recordings of video playback devices for repeated, dropped and frozen pictures and judder.
#[derive(Debug, Parser)]
#[command(version, about = ABOUT, max_term_width = 100, after_help = EXAMPLES)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

const EXAMPLES: &str = "\
Examples:
  evenbeat demo
  evenbeat audit recording.mkv
  evenbeat audit frames/ --rate 59.94
  evenbeat report recording-audit --time-zone +09:00 --out for-the-maker
  evenbeat audit recording.mkv --require motion-rate=59.94 --require freezes=0 --junit result.xml
  evenbeat audit recording.y4m --clip-rate 59.94 --exclude 0,0,640,90
  decoder | evenbeat audit - --out living-room-audit

Exit status: 0 no finding at or above --fail-at and every --require met, 1 otherwise, 2 not audited or not whole, 130 interrupted.";

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Audit one recording and write the report.
    Audit(AuditArguments),
    /// Write the fingerprint log of a recording; `audit` takes the log in place of the recording.
    Fingerprint(FingerprintArguments),
    /// Make one fingerprint log of those of all parts of a recording.
    Join(JoinArguments),
    /// Compare audits of several devices that played one clip.
    Compare(CompareArguments),
    /// Audit many recordings: which device plays which clip right, and what changed since last time.
    Campaign(CampaignArguments),
    /// Build the report of an audit again: another time zone, other pictures, another stretch of the timeline.
    Report(ReportArguments),
    /// Paint a clip whose every picture or field carries its number; `audit` reads the numbers in a recording of it.
    Testclip(TestclipArguments),
    /// Print a completion script for a shell, or the manual page.
    #[command(subcommand)]
    Print(PrintCommand),
    /// Paint an invented scenario and audit it from end to end; needs nothing else.
    Demo(DemoArguments),
}

/// How to read a recording and which part of the picture to look at.
#[derive(Args, Debug)]
pub struct CaptureArguments {
    /// A file, a folder of numbered images, a wildcard, or `-` for standard input.
    pub capture: OsString,
    /// Rate of the recording: frames per second, where the file does not say or says wrong, e.g. 59.94 or 60000/1001.
    /// The rate of the clip is --clip-rate.
    #[arg(long, visible_alias = "recording-rate", value_parser = rate)]
    pub rate: Option<Rate>,
    /// File with one time per frame: seconds, or RFC 3339 with offset.
    #[arg(long, value_name = "FILE")]
    pub timestamps: Option<PathBuf>,
    /// Decoder program; without it `ffmpeg` is looked for on the search path.
    #[arg(long, value_name = "PATH")]
    pub decoder: Option<PathBuf>,
    /// Which video stream, from 0 among the video streams.
    #[arg(long, value_name = "N")]
    pub stream: Option<u32>,
    /// Look at this part of the picture only, pixels.
    #[arg(long, value_name = "X,Y,W,H", value_parser = rectangle)]
    pub region: Option<Rect>,
    /// Leave this part out, pixels; may be given again. Displays over the picture move while it does not.
    #[arg(long, value_name = "X,Y,W,H", value_parser = rectangle)]
    pub exclude: Vec<Rect>,
    /// Threads that measure, and threads of the decoder; without it one per processor. The result is the same.
    #[arg(long, value_name = "N", value_parser = threads)]
    pub threads: Option<NonZeroUsize>,
    /// No progress and no summary.
    #[arg(long, short)]
    pub quiet: bool,
}

/// `audit`.
#[derive(Args, Debug)]
#[command(after_help = AUDIT_EXAMPLES)]
pub struct AuditArguments {
    /// How to read.
    #[command(flatten)]
    pub reading: CaptureArguments,
    /// Rate of the clip that was played: pictures per second, where you know it; missing pictures are counted then.
    /// The rate of the recording is --rate.
    #[arg(long, visible_alias = "clip-rate", value_name = "RATE", value_parser = rate)]
    pub source_rate: Option<Rate>,
    /// The clip that was played, or its fingerprint log: then every frame's picture in it is told, and missing
    /// pictures are counted one by one.
    #[arg(long, value_name = "CLIP")]
    pub reference: Option<PathBuf>,
    /// How the recording is scanned, against its pixels and flags: progressive, tff (top field first), bff (bottom field
    /// first) or auto.
    #[arg(long, value_name = "SCAN", value_enum, default_value_t = ScanChoice::Auto)]
    pub scan: ScanChoice,
    /// How the clip that was played is scanned, likewise: of an interlaced one every field is placed by itself.
    #[arg(long, value_name = "SCAN", value_enum, default_value_t = ScanChoice::Auto, requires = "reference")]
    pub reference_scan: ScanChoice,
    /// Where and when to report.
    #[command(flatten)]
    pub output: OutputArguments,
    /// What was recorded. Last: options after it would stand under its heading.
    #[command(flatten)]
    pub about: AboutArguments,
}

const AUDIT_EXAMPLES: &str = "\
Examples:
  evenbeat audit recording.mkv
  evenbeat audit frames/ --rate 59.94 --timestamps times.txt
  evenbeat audit recording.y4m --clip-rate 59.94 --exclude 0,0,640,90 --fail-at fault
  evenbeat audit recording.mkv --device kitchen-box --firmware 2.1 --recorder card-b
  evenbeat audit recording.mkv --reference clip.mp4";

/// Where the report goes and what counts as a failure.
#[derive(Args, Debug)]
pub struct OutputArguments {
    /// Folder for the report; without it `<name>-audit` in the current folder.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Write into the folder although it is there.
    #[arg(long)]
    pub force: bool,
    /// Tell paths whole in the report; without it by their last part, so that what others get does not say where files
    /// lie on your machine.
    #[arg(long)]
    pub full_paths: bool,
    /// Largest size of report.html with its pictures, MB of 1,000,000 bytes; 0 leaves pictures out. What programs read
    /// back from the page stays inside whatever this is: 3 MB and the calls of all frames at most.
    #[arg(long, value_name = "MB", default_value_t = PICTURES_DEFAULT_MB,
          value_parser = clap::value_parser!(u32).range(..=i64::from(PICTURES_MAX_MB)))]
    pub pictures: u32,
    /// Lowest severity of a finding that makes the exit status 1. Without it `warning`, or none where --require
    /// is given.
    #[arg(long, value_name = "SEVERITY", value_enum)]
    pub fail_at: Option<FailAt>,
    /// What the recording must meet, or the exit status is 1; may be given again. Findings then decide only
    /// where --fail-at is given too. What cannot be known is not met.
    #[arg(long, value_name = "KEY=VALUE", value_parser = Requirement::parse, long_help = require_help())]
    pub require: Vec<Requirement>,
    /// Write the requirements as JUnit XML too, for build servers.
    #[arg(long, value_name = "FILE", requires = "require")]
    pub junit: Option<PathBuf>,
}

/// Size of the report unless `--pictures` says otherwise, MB: most trackers take attachments of 8 MB and more
/// (common practice, no source).
pub const PICTURES_DEFAULT_MB: u32 = 6;
/// Largest size that can be asked for, MB: browsers open pages of a few hundred MB no longer at once.
pub const PICTURES_MAX_MB: u32 = 200;

const FINGERPRINT_EXAMPLES: &str = "\
Examples:
  evenbeat fingerprint recording.mkv --out recording.log
  evenbeat audit recording.log";

/// `fingerprint`.
#[derive(Args, Debug)]
#[command(after_help = FINGERPRINT_EXAMPLES)]
pub struct FingerprintArguments {
    /// How to read.
    #[command(flatten)]
    pub reading: CaptureArguments,
    /// Read the K-th of N parts only; `evenbeat join` makes one log of all.
    #[arg(long, value_name = "K/N", value_parser = part)]
    pub part: Option<Part>,
    /// The log to write; `-` for standard output.
    #[arg(long, value_name = "LOG")]
    pub out: PathBuf,
    /// Write the log although the file is there.
    #[arg(long)]
    pub force: bool,
}

/// `report`.
#[derive(Args, Debug)]
#[command(after_help = REPORT_EXAMPLES)]
pub struct ReportArguments {
    /// Folder that `evenbeat audit` wrote, the audit.json in it with the other files beside it, or report.html alone,
    /// wherever it lies.
    pub audit: PathBuf,
    /// Folder for the new report; without it `<audit>-report` in the current folder.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Write into the folder although it is there.
    #[arg(long)]
    pub force: bool,
    /// The recording that was audited, for pictures; each is checked against the digests of the audit.
    #[arg(long, value_name = "CAPTURE")]
    pub capture: Option<OsString>,
    /// Decoder program; without it `ffmpeg` is looked for on the search path.
    #[arg(long, value_name = "PATH")]
    pub decoder: Option<PathBuf>,
    /// Largest size of report.html with its pictures, MB of 1,000,000 bytes; 0 leaves pictures out. What programs read
    /// back from the page stays inside whatever this is: 3 MB and the calls of all frames at most.
    #[arg(long, value_name = "MB", default_value_t = PICTURES_DEFAULT_MB,
          value_parser = clap::value_parser!(u32).range(..=i64::from(PICTURES_MAX_MB)))]
    pub pictures: u32,
    /// Offset from UTC in which times of day are written, e.g. +02:00 or -05:30; without it as audited.
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true, value_parser = time_zone)]
    pub time_zone: Option<FixedOffset>,
    /// Where the timeline begins, seconds from the first frame.
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    pub timeline_from: Option<f64>,
    /// Where the timeline ends, seconds from the first frame.
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    pub timeline_to: Option<f64>,
    /// No summary.
    #[arg(long, short)]
    pub quiet: bool,
    /// What was recorded; what is not given here stays as the audit has it.
    #[command(flatten)]
    pub about: AboutArguments,
}

const REPORT_EXAMPLES: &str = "\
Examples:
  evenbeat report recording-audit --capture recording.mkv --pictures 20
  evenbeat report recording-audit --time-zone +09:00 --out for-the-maker
  evenbeat report recording-audit --timeline-from 62 --timeline-to 65
  evenbeat report attached.html --out rebuilt";

/// `print`.
#[derive(Debug, Subcommand)]
pub enum PrintCommand {
    /// The completion script of a shell; say `evenbeat print completions bash > FILE` and let the shell read it.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// The manual page, in the format of `man`, of the program or of one command.
    Manual {
        /// One of the commands; without it the program.
        command: Option<String>,
    },
}

/// `demo`.
#[derive(Args, Debug)]
pub struct DemoArguments {
    /// Folder for the reports.
    #[arg(long, value_name = "DIR", default_value = "evenbeat-demo")]
    pub out: PathBuf,
    /// Write into the folder although it is there.
    #[arg(long)]
    pub force: bool,
    /// Instead of one clip: a campaign of four devices and three clips, held against an earlier firmware.
    #[arg(long)]
    pub campaign: bool,
    /// No progress and no summary.
    #[arg(long, short)]
    pub quiet: bool,
}

/// Scans that can be asked for.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ScanChoice {
    /// By pixels, then by flags.
    Auto,
    /// Progressive: whole frames.
    Progressive,
    /// Two fields, the top one first.
    Tff,
    /// Two fields, the bottom one first.
    Bff,
}

impl ScanChoice {
    /// The scan asked for; `None` leaves it to the pixels.
    pub fn scan(self) -> Option<Scan> {
        match self {
            Self::Auto => None,
            Self::Progressive => Some(Scan::Progressive),
            Self::Tff => Some(Scan::TopFieldFirst),
            Self::Bff => Some(Scan::BottomFieldFirst),
        }
    }
}

/// `testclip`.
#[derive(Args, Debug)]
#[command(after_help = TESTCLIP_EXAMPLES)]
pub struct TestclipArguments {
    /// The YUV4MPEG2 file to write; `-` for standard output.
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// Write the file although it is there.
    #[arg(long)]
    pub force: bool,
    /// Size of the pictures: 480, 576, 720, 1080, 1440, 2160 (480 and 576 with pixels for 16:9), or WIDTHxHEIGHT.
    #[arg(long, default_value = "1080", value_parser = size)]
    pub size: Size,
    /// Frames per second, e.g. 23.976, 25, 59.94 or 120; half the fields where there are fields.
    #[arg(long, default_value = "59.94", value_parser = rate)]
    pub rate: Rate,
    /// Whole pictures, or fields of different moments with the top or the bottom one first.
    #[arg(long, value_enum, default_value_t = ClipScan::Progressive)]
    pub scan: ClipScan,
    /// Lay film pictures out over fields: for how many fields each stays, e.g. 2:3. Needs --scan tff or bff; at
    /// --rate 29.97 the film has 23.976 pictures per second.
    #[arg(long, value_name = "FIELDS", value_parser = pulldown)]
    pub pulldown: Option<Pulldown>,
    /// Bits per sample: 8 or 10.
    #[arg(long, default_value_t = 8)]
    pub depth: u8,
    /// Length, rounded to whole frames.
    #[arg(long, value_name = "SECONDS", default_value = "30", value_parser = seconds)]
    pub length: f64,
    /// No progress.
    #[arg(long, short)]
    pub quiet: bool,
}

const TESTCLIP_EXAMPLES: &str = "\
Examples:
  evenbeat testclip --out clip.y4m
  evenbeat testclip --rate 25 --scan tff --size 576 --length 60 --out - | encoder
  evenbeat testclip --rate 29.97 --scan tff --pulldown 2:3 --out film.y4m

Caution: moving pictures can trigger seizures in people with photosensitive epilepsy. Nothing in the clip changes its \
luminance by a tenth of the largest, which is below what ITU-R BT.1702 and WCAG 2.3.1 call a flash. A device or screen \
that raises the contrast can change that. Warn those in the room, and stop at any discomfort. Broadcasting it is \
subject to local rules.";

/// Scans by their written names.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ClipScan {
    /// Whole pictures.
    Progressive,
    /// Fields, the top one first.
    Tff,
    /// Fields, the bottom one first.
    Bff,
}

impl From<ClipScan> for Scan {
    fn from(scan: ClipScan) -> Self {
        match scan {
            ClipScan::Progressive => Self::Progressive,
            ClipScan::Tff => Self::TopFieldFirst,
            ClipScan::Bff => Self::BottomFieldFirst,
        }
    }
}

impl TestclipArguments {
    /// The clip these arguments ask for.
    pub fn settings(&self) -> ClipSettings {
        ClipSettings {
            size: self.size,
            rate: self.rate,
            scan: self.scan.into(),
            pulldown: self.pulldown.clone(),
            bit_depth: self.depth,
            // A length beyond all limits saturates, and is refused as too long.
            frames: (self.length * self.rate.hz()).round() as u64,
        }
    }
}

/// Severities by their written names.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum FailAt {
    /// Also what is only worth knowing.
    Info,
    /// What an attentive viewer sees.
    Warning,
    /// Faults whatever the clip was.
    Fault,
}

impl From<FailAt> for Severity {
    fn from(level: FailAt) -> Self {
        match level {
            FailAt::Info => Self::Info,
            FailAt::Warning => Self::Warning,
            FailAt::Fault => Self::Fault,
        }
    }
}

impl CaptureArguments {
    /// The settings these arguments ask for.
    pub fn settings(&self) -> Settings {
        Settings {
            reading: ReadingSettings {
                rate: self.rate,
                timestamps: self.timestamps.clone(),
                decoder: self.decoder.clone(),
                stream: self.stream,
                threads: self.threads,
            },
            view: ViewSettings { region: self.region, exclude: self.exclude.clone() },
            ..Settings::default()
        }
    }
}

impl AuditArguments {
    /// The settings these arguments ask for.
    ///
    /// # Errors
    /// The file about the device cannot be read.
    pub fn settings(&self) -> Result<Settings> {
        Ok(Settings {
            device: self.about.facts()?,
            source_rate: self.source_rate,
            reference: self.reference.clone(),
            scan: self.scan.scan(),
            reference_scan: self.reference_scan.scan(),
            ..self.reading.settings()
        })
    }
}

impl OutputArguments {
    /// How the report tells paths.
    pub fn path_names(&self) -> PathNames {
        if self.full_paths {
            PathNames::Whole
        } else {
            PathNames::Last
        }
    }

    /// Lowest severity that makes the exit status 1; `None` where only requirements decide.
    pub fn failing_severity(&self) -> Option<Severity> {
        let default = self.require.is_empty().then_some(FailAt::Warning);
        self.fail_at.or(default).map(Severity::from)
    }
}

/// Every key with its direction, unit and meaning.
fn require_help() -> String {
    let mut help = String::from(
        "What the recording must meet, or the exit status is 1; may be given again. Findings then decide only \
         where --fail-at is given too. What cannot be known is not met.\n\nKeys:",
    );
    for Measure { key, bound, unit, meaning, .. } in MEASURES {
        let unit = match unit.name() {
            "" => "0 to 1",
            name => name,
        };
        let _ = write!(help, "\n  {key} ({}, {unit}): {meaning}", bound.words());
    }
    help
}

fn rate(text: &str) -> std::result::Result<Rate, String> {
    Rate::parse(text).ok_or_else(|| {
        format!(
            "a rate is a number of frames per second such as 59.94, 25 or 60000/1001, each part from 1 to {}",
            Rate::PART_MAX
        )
    })
}

fn time_zone(text: &str) -> std::result::Result<FixedOffset, String> {
    text.parse().map_err(|_| "an offset from UTC is +HH:MM or -HH:MM, less than 24 hours".to_owned())
}

fn part(text: &str) -> std::result::Result<Part, String> {
    Part::parse(text)
        .ok_or_else(|| format!("a part is K/N, such as 2/8: K from 1 to N, N from 1 to {}", Part::MAX))
}

fn seconds(text: &str) -> std::result::Result<f64, String> {
    let seconds: Option<f64> =
        text.parse().ok().filter(|seconds: &f64| seconds.is_finite() && *seconds >= 0.0);
    seconds.ok_or_else(|| "seconds are a number such as 12.5, at least 0".to_owned())
}

fn size(text: &str) -> std::result::Result<Size, String> {
    Size::parse(text).ok_or_else(|| {
        let names: Vec<&str> = SIZES.iter().map(|(name, _)| *name).collect();
        format!("a size is one of {}, or WIDTHxHEIGHT in pixels", names.join(", "))
    })
}

fn pulldown(text: &str) -> std::result::Result<Pulldown, String> {
    Pulldown::parse(text).ok_or_else(|| {
        format!(
            "a pulldown is 1 to {} numbers of fields from {} to {} such as 2:3",
            Pulldown::PICTURES_MAX,
            Pulldown::FIELDS.start(),
            Pulldown::FIELDS.end()
        )
    })
}

fn threads(text: &str) -> std::result::Result<NonZeroUsize, String> {
    let threads = text.parse().ok().filter(|threads: &NonZeroUsize| threads.get() <= WORKERS_MAX);
    threads.ok_or_else(|| format!("a number of threads is a whole number from 1 to {WORKERS_MAX}"))
}

fn rectangle(text: &str) -> std::result::Result<Rect, String> {
    Rect::parse(text).ok_or_else(|| {
        "a rectangle is X,Y,W,H in pixels, whole numbers, width and height at least 1".to_owned()
    })
}
