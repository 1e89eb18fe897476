//! What the decoder prints: its account of the capture, and its complaints.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Duration;

use super::coding::coding_of;
use super::containers::REFUSED_PHRASE;
use crate::frame::{CodeRange, Coding, Scan};
use crate::note::{Note, NoteCode};
use crate::words::{counted, verb};

/// Longest line kept, in bytes; what follows in the line is dropped.
const LINE_MAX: usize = 1024;

/// Most complaints quoted in a note.
const QUOTED_MAX: usize = 5;

/// Most lines read as the account of the capture; a container with more streams than that is cut short.
const BANNER_LINES_MAX: usize = 1000;

/// Most streams whose description is kept.
const STREAMS_MAX: usize = 100;

/// Phrases by which the decoder says that its input ends early.
const CUT_PHRASES: &[&str] = &[
    "partial file",
    "File ended prematurely",
    "Packet corrupt",
    "corrupt input packet",
    "Truncating packet",
];

/// Phrase by which the decoder says that it moved a time that was not later than the one before.
const MOVED_TIME_PHRASES: &[&str] = &["Non-monotonous DTS", "Non-monotonic DTS"];

/// Most moved times kept until their frames are read. The decoder is ahead by what a pipe holds, so this is
/// far more than can be waiting.
const MOVED_TIMES_MAX: usize = 65_536;

/// The decoder's account of the capture.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Banner {
    /// First name of the demuxer, empty if not told.
    pub(crate) demuxer: String,
    /// Duration of the container, if it is told and not an estimate.
    pub(crate) duration_s: Option<f64>,
    /// Streams in the container, of any kind.
    pub(crate) streams: usize,
    /// Scan by the stream's flags.
    pub(crate) scan: Scan,
    /// How the samples were coded, by codec and profile.
    pub(crate) coding: Coding,
    /// The range that the samples are said to have.
    pub(crate) range: CodeRange,
    /// Average frame rate, rounded to 0.01 Hz.
    pub(crate) average_hz: Option<f64>,
    /// Finest frame rate that the decoder guesses from the timestamps, rounded to 0.01 Hz.
    pub(crate) finest_hz: Option<f64>,
    /// Ticks of the container's time base, rounded to 0.01 Hz.
    pub(crate) ticks_hz: Option<f64>,
    /// Degrees by which players turn the picture, as the container says.
    pub(crate) turned: Option<f64>,
    /// The decoder's name of the pixel format in the capture, empty if not told.
    pub(crate) decoded_format: String,
    /// The decoder's name of the pixel format it delivers, empty if not told.
    pub(crate) delivered_format: String,
}

/// Complaints so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Complaints {
    /// Lines at error level.
    errors: u64,
    /// The first of them.
    quoted: Vec<String>,
    /// The last of them.
    pub(crate) last_error: Option<String>,
    /// First line that says the input ends early.
    cut: Option<String>,
    /// Times moved to where, because they were not later than the one before, and where they came from.
    moved_times: VecDeque<(i64, i64)>,
    /// Moved times of which that is not known.
    lost_times: u64,
    /// The stream asked for does not exist.
    pub(crate) lacks_stream: bool,
    /// The capture is no container that holds its own pictures.
    pub(crate) refused_container: bool,
}

impl Complaints {
    /// The last complaint as a sentence with a leading space, or nothing.
    pub(crate) fn last_error_sentence(&self) -> String {
        self.last_error.as_ref().map_or_else(String::new, |message| format!(" It said: {message}."))
    }

    /// Notes on all complaints.
    pub(crate) fn notes(&self) -> Vec<Note> {
        let mut notes = Vec::new();
        if let Some(line) = &self.cut {
            notes.push(Note::new(
                NoteCode::Truncated,
                format!("The decoder says that the capture is cut ({line}). Record or copy it again."),
            ));
        }
        if self.errors > 0 {
            notes.push(Note::new(
                NoteCode::DecoderErrors,
                format!(
                    "The decoder reported {}. Pictures near {} may be damaged or missing: {}.",
                    counted(self.errors, "error"),
                    if self.errors == 1 { "it" } else { "them" },
                    self.quoted.join(", ")
                ),
            ));
        }
        if self.lost_times > 0 {
            notes.push(Note::new(
                NoteCode::TimesNotIncreasing,
                format!(
                    "{} of the capture {} or {} backwards. The decoder moved each to just after the one before.",
                    counted(self.lost_times, "timestamp"),
                    verb(self.lost_times, "repeat"),
                    verb(self.lost_times, "run")
                ),
            ));
        }
        notes
    }
}

/// Reads a decoder's messages on a thread, in bounded memory.
pub(crate) struct DecoderLog {
    shared: Arc<Shared>,
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    banner: BannerLines,
    complaints: Complaints,
    is_closed: bool,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        // A thread that panicked leaves plain counters and text behind: still good to read.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wait_for(&self, patience: Duration, done: impl Fn(&State) -> bool) -> MutexGuard<'_, State> {
        let waited = self.changed.wait_timeout_while(self.lock(), patience, |state| !done(state));
        waited.unwrap_or_else(PoisonError::into_inner).0
    }
}

impl DecoderLog {
    /// Starts reading `messages` until they end.
    pub(crate) fn drain(messages: impl Read + Send + 'static) -> Self {
        let shared = Arc::new(Shared::default());
        let of_thread = Arc::clone(&shared);
        thread::spawn(move || {
            let mut reader = BufReader::new(messages);
            let mut line = Vec::new();
            while next_line(&mut reader, &mut line) {
                of_thread.lock().add(&String::from_utf8_lossy(&line));
                of_thread.changed.notify_all();
            }
            of_thread.lock().is_closed = true;
            of_thread.changed.notify_all();
        });
        Self { shared }
    }

    /// The account of the capture, as far as it came within `patience`.
    pub(crate) fn banner(&self, patience: Duration) -> Banner {
        self.shared.wait_for(patience, |state| state.is_closed || state.banner.is_whole()).banner.parse()
    }

    /// Where the time that the decoder moved to `ticks` came from; `None` if it moved none there.
    pub(crate) fn moved_time(&self, ticks: i64, patience: Duration) -> Option<i64> {
        let is_it = |moved: &(i64, i64)| moved.0 == ticks;
        let mut state = self
            .shared
            .wait_for(patience, |state| state.is_closed || state.complaints.moved_times.iter().any(is_it));
        let moved_times = &mut state.complaints.moved_times;
        let at = moved_times.iter().position(is_it)?;
        moved_times.remove(at).map(|(_, from)| from)
    }

    /// The complaints, all of them if the messages end within `patience`.
    pub(crate) fn summary(&self, patience: Duration) -> Complaints {
        self.shared.wait_for(patience, |state| state.is_closed).complaints.clone()
    }
}

impl State {
    fn add(&mut self, line: &str) {
        let (level, message) = split_level(line);
        match level {
            "error" | "fatal" | "panic" => self.complaints.add_error(message),
            "warning" => self.complaints.add_warning(message),
            _ => self.banner.add(message),
        }
        if message.contains("Estimating duration from bitrate") {
            self.banner.duration_is_estimate = true;
        }
    }
}

impl Complaints {
    fn add_error(&mut self, message: &str) {
        self.lacks_stream |= message.contains("matches no streams");
        self.refused_container |= message.contains(REFUSED_PHRASE);
        self.errors += 1;
        if self.quoted.len() < QUOTED_MAX {
            self.quoted.push(message.trim_end_matches('.').to_owned());
        }
        self.last_error = Some(message.trim_end_matches('.').to_owned());
        self.add_warning(message);
    }

    fn add_warning(&mut self, message: &str) {
        let contains = |phrases: &[&str]| phrases.iter().any(|phrase| message.contains(phrase));
        if contains(CUT_PHRASES) && self.cut.is_none() {
            self.cut = Some(message.trim_end_matches('.').to_owned());
        }
        if contains(MOVED_TIME_PHRASES) {
            match moved_time(message) {
                Some(moved) if self.moved_times.len() < MOVED_TIMES_MAX => self.moved_times.push_back(moved),
                _ => self.lost_times += 1,
            }
        }
    }
}

/// New and old time in `previous: 5, current: 3; changing to 6.`
fn moved_time(message: &str) -> Option<(i64, i64)> {
    let number_after = |label: &str| {
        let (_, rest) = message.split_once(label)?;
        let end = rest.find(|c: char| !c.is_ascii_digit() && c != '-').unwrap_or(rest.len());
        rest[..end].parse().ok()
    };
    Some((number_after("changing to ")?, number_after("current: ")?))
}

/// Reads a line into `line`, as much as is kept of it; false at the end.
fn next_line(reader: &mut impl BufRead, line: &mut Vec<u8>) -> bool {
    line.clear();
    let mut is_any = false;
    loop {
        let Ok(available) = reader.fill_buf() else { return is_any };
        if available.is_empty() {
            return is_any;
        }
        is_any = true;
        let end = available.iter().position(|&byte| byte == b'\n' || byte == b'\r');
        let part = &available[..end.unwrap_or(available.len())];
        line.extend_from_slice(&part[..part.len().min(LINE_MAX - line.len())]);
        let used = end.map_or(part.len(), |at| at + 1);
        reader.consume(used);
        if end.is_some() {
            return true;
        }
    }
}

/// Level and text of a line such as `[h264 @ 0x55d7] [error] text`; the level is empty where none is given.
fn split_level(line: &str) -> (&str, &str) {
    let mut rest = line;
    while let Some((bracket, after)) = rest.strip_prefix('[').and_then(|inner| inner.split_once("] ")) {
        if ["panic", "fatal", "error", "warning", "info", "verbose", "debug"].contains(&bracket) {
            return (bracket, after);
        }
        rest = after;
    }
    ("", line)
}

/// The lines that describe input and output.
#[derive(Default)]
struct BannerLines {
    lines: usize,
    section: Section,
    demuxer: String,
    duration_s: Option<f64>,
    duration_is_estimate: bool,
    input_streams: Vec<(String, String)>,
    /// Streams of the input that players turn, by so many degrees.
    turned: Vec<(String, f64)>,
    mapped: String,
    output_stream: Option<String>,
}

#[derive(Default, PartialEq)]
enum Section {
    #[default]
    Before,
    Input,
    Mapping,
    Output,
}

impl BannerLines {
    fn is_whole(&self) -> bool {
        self.output_stream.is_some() || self.lines > BANNER_LINES_MAX
    }

    fn add(&mut self, line: &str) {
        if self.is_whole() {
            return;
        }
        self.lines += 1;
        if let Some(rest) = line.strip_prefix("Input #0, ") {
            self.section = Section::Input;
            let names = rest.split(", from ").next().unwrap_or(rest);
            self.demuxer = names.split(',').next().unwrap_or(names).to_owned();
        } else if line.starts_with("Stream mapping:") {
            self.section = Section::Mapping;
        } else if line.starts_with("Output #0") {
            self.section = Section::Output;
        } else if let Some(rest) = line.strip_prefix("  Duration: ") {
            self.duration_s = self.duration_s.or_else(|| clock_seconds(rest.split(',').next().unwrap_or("")));
        } else if let Some(rest) = line.strip_prefix("  Stream #") {
            self.add_stream(rest);
        } else if let (Some(degrees), Section::Input) = (turned_in(line), &self.section) {
            // Side data follow the line of their stream.
            let stream = self.input_streams.last().map(|(index, _)| index.clone());
            self.turned.extend(stream.map(|index| (index, degrees)));
        }
    }

    fn add_stream(&mut self, text: &str) {
        let index_end = text.find(|c: char| !c.is_ascii_digit() && c != ':').unwrap_or(text.len());
        let index = text[..index_end].trim_end_matches(':').to_owned();
        match self.section {
            Section::Input if self.input_streams.len() < STREAMS_MAX => {
                self.input_streams.push((index, text.to_owned()));
            }
            Section::Mapping if self.mapped.is_empty() => self.mapped = index,
            Section::Output => self.output_stream = Some(text.to_owned()),
            _ => {}
        }
    }

    fn parse(&self) -> Banner {
        let input = self.input_streams.iter().find(|(index, _)| *index == self.mapped);
        let fields = input.map(|(_, text)| stream_fields(text)).unwrap_or_default();
        let output = self.output_stream.as_deref().map(stream_fields).unwrap_or_default();
        let format_field = fields.get(1).copied().unwrap_or_default();
        let turned = self.turned.iter().find(|(index, _)| *index == self.mapped);
        let value_of = |unit: &str| fields.iter().find_map(|field| hertz(field.trim().strip_suffix(unit)?));
        Banner {
            demuxer: self.demuxer.clone(),
            duration_s: self.duration_s.filter(|_| !self.duration_is_estimate),
            streams: self.input_streams.len(),
            scan: scan_in(format_field),
            coding: coding_of(fields.first().copied().unwrap_or_default(), &format_name(format_field)),
            range: range_in(format_field),
            average_hz: value_of(" fps"),
            finest_hz: value_of(" tbr"),
            ticks_hz: value_of(" tbn"),
            turned: turned.map(|&(_, degrees)| degrees),
            decoded_format: format_name(format_field),
            delivered_format: format_name(output.get(1).copied().unwrap_or_default()),
        }
    }
}

/// The range in a field like `yuv420p(tv, bt709, top first)`.
fn range_in(format_field: &str) -> CodeRange {
    let mut words = format_field.split(['(', ')', ',']).map(str::trim);
    if words.next().is_some_and(|name| name.starts_with("yuvj")) {
        return CodeRange::Full;
    }
    let told = words.find_map(|word| match word {
        "pc" => Some(CodeRange::Full),
        "tv" => Some(CodeRange::Limited),
        _ => None,
    });
    told.unwrap_or_default()
}

/// Degrees by which a line of side data says that players turn the picture, where it does.
fn turned_in(line: &str) -> Option<f64> {
    let text = line.trim().strip_prefix("displaymatrix: rotation of ")?.strip_suffix(" degrees")?;
    text.parse().ok().filter(|degrees: &f64| degrees.is_finite() && *degrees != 0.0)
}

/// The fields of a video stream's line, split at commas outside parentheses.
fn stream_fields(text: &str) -> Vec<&str> {
    let Some((_, description)) = text.split_once("Video: ") else { return Vec::new() };
    let description = description.split(" (default)").next().unwrap_or(description);
    let mut depth = 0usize;
    description
        .split(move |c| {
            match c {
                '(' | '[' => depth += 1,
                ')' | ']' => depth = depth.saturating_sub(1),
                _ => {}
            }
            c == ',' && depth == 0
        })
        .collect()
}

/// `yuv420p` of `yuv420p(tv, bt709, progressive)`.
fn format_name(field: &str) -> String {
    field.trim().split('(').next().unwrap_or_default().trim().to_owned()
}

fn scan_in(field: &str) -> Scan {
    let flags = field.split_once('(').map_or("", |(_, flags)| flags);
    let has = |text: &str| flags.split([',', ')']).any(|flag| flag.trim().starts_with(text));
    // What the decoder calls swapped are fields stored interleaved; by Matroska's definition of its FieldOrder values
    // 9 and 14 (RFC 9559, element FieldOrder; from memory) the field coded first is shown first, and encoders write them so.
    if has("progressive") {
        Scan::Progressive
    } else if has("top first") || has("top coded first") {
        Scan::TopFieldFirst
    } else if has("bottom first") || has("bottom coded first") {
        Scan::BottomFieldFirst
    } else {
        Scan::Unknown
    }
}

fn hertz(text: &str) -> Option<f64> {
    match text.trim().strip_suffix('k') {
        Some(thousands) => thousands.parse::<f64>().ok().map(|value| value * 1000.0),
        None => text.trim().parse().ok(),
    }
}

/// Seconds of `hh:mm:ss.ss`.
fn clock_seconds(text: &str) -> Option<f64> {
    let mut seconds = 0.0;
    for part in text.trim().split(':') {
        seconds = seconds * 60.0 + part.parse::<f64>().ok()?;
    }
    Some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn banner(text: &str) -> Banner {
        let mut state = State::default();
        text.lines().for_each(|line| state.add(line));
        state.banner.parse()
    }

    const TWO_STREAMS: &str = "\
[info] Input #0, mov,mp4,m4a,3gp,3g2,mj2, from 'file:a.mov':
[info]   Duration: 01:02:03.50, start: 0.000000, bitrate: 13282 kb/s
[info]   Stream #0:0[0x1](und): Audio: aac (LC) (mp4a / 0x6134706D), 44100 Hz, mono, fltp, 85 kb/s (default)
[info]   Stream #0:1[0x2](eng): Video: hevc (Main) (hvc1 / 0x31637668), yuvj420p(pc, bt709, top first), 1024x768, \
12593 kb/s, SAR 1:1 DAR 4:3, 27.61 fps, 120 tbr, 90k tbn (default)
[info]     Side data:
[info]       displaymatrix: rotation of -180.00 degrees
[info] Stream mapping:
[info]   Stream #0:1 -> #0:0 (hevc (native) -> rawvideo (native))
[info] Output #0, nut, to 'pipe:':
[info]   Stream #0:0: Video: rawvideo (I420 / 0x30323449), yuv420p(pc, progressive), 1024x768 [SAR 1:1 DAR 4:3], \
q=2-31, 120 fps, 90k tbn (default)
";

    #[test]
    fn the_account_of_the_mapped_stream_is_read() {
        let expected = Banner {
            demuxer: "mov".into(),
            duration_s: Some(3723.5),
            streams: 2,
            scan: Scan::TopFieldFirst,
            coding: Coding::Lossy,
            range: CodeRange::Full,
            average_hz: Some(27.61),
            finest_hz: Some(120.0),
            ticks_hz: Some(90_000.0),
            turned: Some(-180.0),
            decoded_format: "yuvj420p".into(),
            delivered_format: "yuv420p".into(),
        };
        assert_eq!(banner(TWO_STREAMS), expected);
    }

    #[test]
    fn estimated_durations_are_not_believed() {
        let text = TWO_STREAMS.to_owned()
            + "[mp3 @ 0x1] [warning] Estimating duration from bitrate, this may be inaccurate";
        assert_eq!(banner(&text).duration_s, None);
        assert_eq!(banner(&TWO_STREAMS.replace("01:02:03.50", "N/A")).duration_s, None);
    }

    #[test]
    fn the_range_is_read() {
        for (field, range) in [
            ("yuv420p", CodeRange::Unstated),
            ("yuv420p(progressive)", CodeRange::Unstated),
            ("yuv420p(tv, bt709, progressive)", CodeRange::Limited),
            ("yuv420p(pc)", CodeRange::Full),
            ("yuvj422p(bt470bg/unknown/unknown)", CodeRange::Full),
        ] {
            assert_eq!(range_in(field), range, "{field}");
        }
    }

    #[test]
    fn scan_flags_are_read() {
        for (field, scan) in [
            ("yuv420p", Scan::Unknown),
            ("yuv420p(tv)", Scan::Unknown),
            ("yuv420p(progressive)", Scan::Progressive),
            ("yuv420p(tv, bt709, bottom first)", Scan::BottomFieldFirst),
            ("yuv420p(top coded first (swapped))", Scan::TopFieldFirst),
            ("yuv420p(bottom coded first (swapped))", Scan::BottomFieldFirst),
        ] {
            assert_eq!(scan_in(field), scan, "{field}");
        }
    }

    #[test]
    fn levels_are_told_with_and_without_a_source() {
        for (line, level, text) in [
            ("[error] bad", "error", "bad"),
            ("[h264 @ 0x55d7] [error] bad [1] thing", "error", "bad [1] thing"),
            ("[vist#0:0/h264 @ 0x1] [dec:h264 @ 0x2] [warning] odd", "warning", "odd"),
            ("plain [error] text", "", "plain [error] text"),
            ("", "", ""),
        ] {
            assert_eq!(split_level(line), (level, text));
        }
    }

    #[test]
    fn moved_times_are_kept_and_unclear_ones_counted() {
        let mut state = State::default();
        state.add("[warning] Non-monotonous DTS in output stream 0:0; previous: 5, current: -3; changing to 6. This");
        state.add("[nut @ 0x1] [warning] Non-monotonic DTS; previous: 6, current: 6; changing to 7.");
        assert_eq!(state.complaints.moved_times, [(6, -3), (7, 6)]);
        assert_eq!(state.complaints.notes(), []);
        state.add("[warning] Non-monotonic DTS");
        let notes = state.complaints.notes();
        assert_eq!(notes.len(), 1);
        assert_eq!(notes[0].code, NoteCode::TimesNotIncreasing);
        assert!(notes[0].text.starts_with("1 timestamp of the capture repeats or runs backwards."));
    }

    #[test]
    fn memory_is_bounded_whatever_is_printed() {
        let mut state = State::default();
        for number in 0..10_000 {
            state.add(&format!("[info]   Stream #0:{number}: Video: x"));
            state.add("[error] wrong");
        }
        assert!(state.banner.input_streams.len() <= STREAMS_MAX);
        assert_eq!(state.complaints.quoted.len(), QUOTED_MAX);
        let mut line = Vec::new();
        assert!(next_line(&mut vec![b'x'; 1 << 20].as_slice(), &mut line));
        assert_eq!(line.len(), LINE_MAX);
    }

    #[test]
    fn lines_end_at_either_line_end() {
        let mut input: &[u8] = b"a\rb\n\nlast";
        let mut line = Vec::new();
        let mut lines = Vec::new();
        while next_line(&mut input, &mut line) {
            lines.push(String::from_utf8(line.clone()).unwrap());
        }
        assert_eq!(lines, ["a", "b", "", "last"]);
    }
}
