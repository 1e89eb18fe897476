//! Fingerprint logs of parts of a capture, and joining them into the log of the whole: the same bytes as in one pass.
//!
//! A part's log is a line `evenbeat-fingerprint-part 1`, a line of JSON that says which part it is, and a fingerprint log.
//! From the second part on the log begins with the last frame of the part before, by which both are held together.

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::audit::Run;
use crate::cancel;
use crate::capture::log::{LogHeader, LogReader, LogWriter, ReadingEnd};
use crate::capture::{self, CaptureArg, CaptureEnd, Extent, Part};
use crate::error::{plain_cause, Error, Result};
use crate::fingerprint::Digest;
use crate::note::Note;
use crate::pipeline::{self, Control};
use crate::settings::Settings;

/// The first line.
const MAGIC: &str = "evenbeat-fingerprint-part 1\n";
/// Longest second line, bytes.
const LINE_MAX: u64 = 1 << 12;
/// What a log is called.
const LOG: &str = "fingerprint log";

/// Which part a log is of.
#[derive(Clone, Debug, Deserialize, Eq, PartialEq, Serialize)]
struct PartLine {
    part: u32,
    of: u32,
    /// Length by which it was cut: parts of one capture have the same.
    frames: Option<u64>,
    ticks: Option<i64>,
}

/// Writes the log of a part of a capture to `out`, which errors call `place`.
///
/// # Errors
/// The capture cannot be read, or not in parts, or `out` cannot be written.
pub fn write_part(
    capture: &CaptureArg,
    (settings, part): (&Settings, Part),
    run: Run<'_>,
    (place, mut out): (&str, impl Write),
) -> Result<ReadingEnd> {
    cancel::attended(run.stop, |cancel| {
        let sniffed = capture::sniff(capture, cancel)?;
        let source_place = sniffed.place().to_owned();
        let source = sniffed.open(&settings.reading)?;
        let (frames, ticks) = match source.extent() {
            Some(Extent::Frames(frames)) => (Some(frames), None),
            Some(Extent::Ticks(ticks)) => (None, Some(ticks)),
            None => (None, None),
        };
        let line = PartLine { part: part.number(), of: part.of(), frames, ticks };
        let (source, before) = capture::part_of(source, part, &source_place)?;
        let text = serde_json::to_string(&line).expect("plain structs always serialize");
        writeln!(out, "{MAGIC}{text}").map_err(|error| {
            crate::output::write_error(place.as_ref(), "cannot write the fingerprint log", &error)
        })?;
        let mut log = LogWriter::new(out, place, source.facts(), &settings.view)?;
        // The nearest frame before the part is written, those before that only looked back at.
        let passed = before.saturating_sub(1) as u64;
        let control = Control { workers: settings.reading.threads, progress: run.progress, stop: run.stop };
        let mut end = pipeline::fingerprint_capture(source, &settings.view, &control, |mut fingerprint| {
            if fingerprint.index < passed {
                return Ok(());
            }
            fingerprint.index -= passed;
            log.push(&fingerprint)
        })?;
        end.frames = end.frames.saturating_sub(passed);
        log.finish(&end)?;
        Ok(end)
    })
}

/// Whether a file is the log of a part.
pub fn is_part(path: &Path) -> bool {
    let mut head = vec![0; MAGIC.len()];
    File::open(path).is_ok_and(|mut file| file.read_exact(&mut head).is_ok()) && head == MAGIC.as_bytes()
}

/// Joins the logs of all parts of a capture, given in any order, into the log of the whole in `out`, which errors call
/// `place`.
///
/// # Errors
/// One of them is no part's log, is damaged or not whole, or they are not all parts of one capture; or `out` cannot be
/// written.
pub fn join(paths: &[PathBuf], (place, out): (&str, impl Write)) -> Result<ReadingEnd> {
    let mut parts = paths.iter().map(|path| OpenPart::open(path)).collect::<Result<Vec<_>>>()?;
    parts.sort_by_key(|part| part.line.part);
    check_together(&parts)?;
    let Some(first) = parts.first() else {
        return Err(Error::new(LOG, "cannot be joined", "none was given", "give the logs of all parts"));
    };
    let header = first.log.header().clone();
    let mut whole = LogWriter::new(out, place, &header.facts, &header.view)?;
    let mut joint = Joint { frames: 0, last: None };
    let mut ends = Vec::with_capacity(parts.len());
    for part in parts {
        ends.push(joint.add(part, &mut whole)?);
    }
    let end = ReadingEnd { frames: joint.frames, end: CaptureEnd { notes: notes_of(&ends) }, error: None };
    whole.finish(&end)?;
    Ok(end)
}

struct OpenPart {
    place: String,
    line: PartLine,
    log: LogReader<BufReader<File>>,
}

impl OpenPart {
    fn open(path: &Path) -> Result<Self> {
        let place = path.display().to_string();
        let refuse = |cause: String| {
            let hint = "give logs that `evenbeat fingerprint FILE --part K/N` wrote";
            Error::new(place.clone(), "no fingerprint log of a part", cause, hint)
        };
        let mut file = BufReader::new(File::open(path).map_err(|error| refuse(plain_cause(&error)))?);
        let mut head = vec![0; MAGIC.len()];
        if file.read_exact(&mut head).is_err() || head != MAGIC.as_bytes() {
            return Err(refuse("its first line is not that of a part".to_owned()));
        }
        let mut text = String::new();
        file.by_ref().take(LINE_MAX).read_line(&mut text).map_err(|error| refuse(plain_cause(&error)))?;
        let line: PartLine =
            serde_json::from_str(&text).map_err(|_| refuse("its second line is damaged".to_owned()))?;
        if Part::new(line.part, line.of).is_none() {
            return Err(refuse(format!("it is part {} of {}", line.part, line.of)));
        }
        let log = LogReader::open(file, place.clone())?;
        Ok(Self { place, line, log })
    }
}

/// Whether these are all parts of one capture.
fn check_together(parts: &[OpenPart]) -> Result<()> {
    let Some(first) = parts.first() else { return Ok(()) };
    let refuse = |part: &OpenPart, cause: String| {
        let hint = "give the logs of all parts of one capture, each once";
        Err(Error::new(part.place.clone(), "cannot be joined", cause, hint))
    };
    let same = |header: &LogHeader, other: &LogHeader| header == other;
    for (part, number) in parts.iter().zip(1..) {
        let own = &part.line;
        if (own.of, own.frames, own.ticks) != (first.line.of, first.line.frames, first.line.ticks)
            || !same(part.log.header(), first.log.header())
        {
            return refuse(part, format!("it is of another capture, or cut otherwise, than {}", first.place));
        }
        if own.part != number {
            return refuse(
                part,
                format!("it is part {} of {}, and part {number} is wanted next", own.part, own.of),
            );
        }
        if part.log.header().tool_version != env!("CARGO_PKG_VERSION") {
            return refuse(part, format!("it was made by evenbeat {}", part.log.header().tool_version));
        }
    }
    let found = parts.len();
    if found != first.line.of as usize {
        return refuse(first, format!("there are {} parts, and {found} were given", first.line.of));
    }
    Ok(())
}

/// Where the parts joined so far end.
struct Joint {
    frames: u64,
    last: Option<(Digest, Option<i64>)>,
}

impl Joint {
    fn add(&mut self, mut part: OpenPart, whole: &mut LogWriter<impl Write>) -> Result<ReadingEnd> {
        let mut is_first = true;
        while let Some(mut fingerprint) = part.log.next_fingerprint()? {
            let met = (fingerprint.digest, fingerprint.ticks);
            if std::mem::take(&mut is_first) && part.line.part > 1 {
                if self.last != Some(met) {
                    return Err(Error::new(
                        part.place,
                        "does not follow the part before",
                        "both hold one frame, and it is not the same",
                        "the capture cannot be read from the middle alike: fingerprint it in one pass",
                    ));
                }
                continue;
            }
            fingerprint.index = self.frames;
            whole.push(&fingerprint)?;
            self.frames += 1;
            self.last = Some(met);
        }
        let log_is_cut = part.log.is_cut();
        let end = part.log.finish();
        if log_is_cut {
            return Err(not_whole(part.place, "the log is cut".to_owned()));
        }
        if let Some(error) = &end.error {
            return Err(not_whole(part.place, error.to_string()));
        }
        let is_last = part.line.part == part.line.of;
        let cut = end.end.notes.iter().find(|note| note.code.makes_incomplete());
        match cut.filter(|_| !is_last) {
            Some(note) => Err(not_whole(part.place, note.text.clone())),
            None => Ok(end),
        }
    }
}

fn not_whole(place: String, cause: String) -> Error {
    Error::new(place, "not whole", cause, "fingerprint the part again, or the capture in one pass")
}

/// Caveats of the capture: those of all parts, and those of its end.
fn notes_of(ends: &[ReadingEnd]) -> Vec<Note> {
    let Some((last, others)) = ends.split_last() else { return Vec::new() };
    let is_in = |end: &ReadingEnd, note: &Note| end.end.notes.contains(note);
    let of_end = |note: &&Note| {
        others.iter().all(|end| is_in(end, note)) || !others.iter().any(|end| is_in(end, note))
    };
    last.end.notes.iter().filter(of_end).cloned().collect()
}
