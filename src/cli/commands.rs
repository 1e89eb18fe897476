//! What each command does, one function each.

use std::env;
use std::ffi::OsStr;
use std::io::{self, BufWriter};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use chrono::{DateTime, FixedOffset, Utc};
use evenbeat::audit::{self, Audit, Run};
use evenbeat::audit_store::{self, Provenance, Shell};
use evenbeat::capture::{CaptureArg, Part};
use evenbeat::error::{excerpt, Error, Result};
use evenbeat::fingerprint_parts;
use evenbeat::note::NoteCode;
use evenbeat::output::manifest::MANIFEST;
use evenbeat::output::same::{refuse_inputs, Input, Output};
use evenbeat::output::{Existing, OutputFolder, WholeFile};
use evenbeat::pictures::Pictures;
use evenbeat::pipeline::ReadingEnd;
use evenbeat::report::{self, Report};
use evenbeat::settings::{PathNames, RecordedSettings, Settings};
use evenbeat::testclip::{write_clip, Ended};
use evenbeat::verdict::gate::Requirement;
use evenbeat::verdict::Severity;
use evenbeat::words::{counted, grouped};

use super::about::AboutArguments;
use super::arguments::{
    AuditArguments, CaptureArguments, DemoArguments, FingerprintArguments, ReportArguments,
    TestclipArguments, PICTURES_DEFAULT_MB,
};
use super::command_line;
use super::compare::{audit_name, compare_into};
use super::demo_campaign;
use super::exit::Exit;
use super::interrupt::STOP;
use super::pictures::{self, Wanted};
use super::progress_bar::Display;
use super::say;

/// How errors call what is written.
const FOLDER: &str = "output folder";
const LOG: &str = "fingerprint log";
const JUNIT: &str = "JUnit file";
const TEST_CLIP: &str = "test clip";
/// How errors call what is audited.
const CAPTURE: &str = "the capture";

/// Refuses what is no recording but a report: its charts would pass for a folder of images.
fn refuse_report(capture: &OsStr) -> Result<()> {
    let path = Path::new(capture);
    let is_named = |name: &str| path.file_name() == Some(OsStr::new(name)) && path.is_file();
    let is_report = path.join(audit_store::AUDIT_JSON).is_file()
        || is_named(audit_store::AUDIT_JSON)
        || is_named(audit_store::REPORT_HTML);
    if !is_report {
        return Ok(());
    }
    let way_out =
        "give the recording; `evenbeat report` builds a report again, `evenbeat compare` takes several";
    Err(Error::new(path.display().to_string(), "no recording", "it is a report", way_out))
}

/// `evenbeat audit`: reads, writes the report, prints the summary.
pub fn audit(arguments: &AuditArguments) -> Result<Exit> {
    refuse_report(&arguments.reading.capture)?;
    let capture = CaptureArg::from(arguments.reading.capture.clone());
    let settings = arguments.settings()?;
    let existing = existing(arguments.output.force);
    let folder = arguments.output.out.clone().unwrap_or_else(|| default_folder(&capture));
    let junit = arguments.output.junit.as_deref();
    let mut outputs = vec![Output { what: FOLDER, path: &folder }];
    outputs.extend(junit.map(|path| Output { what: JUNIT, path }));
    let mut inputs = inputs_of(&arguments.reading.capture, &settings);
    inputs.extend(about_of(&arguments.about));
    refuse_inputs(&outputs, &inputs)?;
    // Asked before hours of reading, not after.
    let junit = junit.map(|path| junit_file(path, &folder, existing)).transpose()?;
    let folder = reserve(&folder, existing, &audit_store::FILES)?;
    let provenance = provenance(&settings, &arguments.output.require, arguments.output.path_names())?;
    let mut audit = watched(arguments.reading.quiet, &named(&arguments.reading.capture), |run| {
        audit::audit(&capture, &settings, run)
    })?;
    audit.hold_against(&arguments.output.require);
    let wanted = Wanted {
        audit: &audit,
        settings: &settings,
        provenance: &provenance,
        megabytes: arguments.output.pictures,
    };
    let pictures = pictures::of_capture(&capture, wanted);
    if STOP.load(Ordering::SeqCst) {
        audit.interrupt("Stopped while the capture was read again for its pictures: some are missing.");
    }
    let path = folder.path().to_owned();
    report::write_all(
        &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None },
        folder,
    )?;
    if let Some(junit) = junit {
        junit.write_text(&report::junit::document(&audit, &provenance))?;
    }
    say(arguments.reading.quiet, &audit, &path);
    Ok(exit(&audit, arguments.output.failing_severity()))
}

/// `evenbeat fingerprint`: the hashing pass alone.
pub fn fingerprint(arguments: &FingerprintArguments) -> Result<Exit> {
    let CaptureArguments { capture: argument, quiet, .. } = &arguments.reading;
    let capture = CaptureArg::from(argument.clone());
    let settings = arguments.reading.settings();
    refuse_inputs(&[Output { what: LOG, path: &arguments.out }], &inputs_of(argument, &settings))?;
    let end = if arguments.out == Path::new("-") {
        let out = BufWriter::new(io::stdout().lock());
        watched(*quiet, &named(argument), |run| {
            write_log(&capture, (&settings, arguments.part), run, ("standard output", out))
        })?
    } else {
        let mut log = WholeFile::reserve(&arguments.out, LOG, existing(arguments.force))?;
        let place = arguments.out.display().to_string();
        let end = watched(*quiet, &named(argument), |run| {
            write_log(&capture, (&settings, arguments.part), run, (&place, &mut log))
        })?;
        // What broke off before its first frame is no log, and takes the place of none.
        if end.error.is_none() || end.frames > 0 {
            log.commit()?;
        }
        end
    };
    for note in &end.end.notes {
        say::tell(&format!("{}: {}", note.code.name(), note.text));
    }
    if let Some(error) = end.error {
        return Err(error);
    }
    let notes = end.end.notes;
    let interrupted = notes.iter().any(|note| note.code == NoteCode::Interrupted);
    let incomplete = notes.iter().any(|note| note.code.makes_incomplete());
    Ok(match (interrupted, incomplete) {
        (true, _) => Exit::Interrupted,
        (false, true) => Exit::NotWhole,
        (false, false) => Exit::Clean,
    })
}

/// Writes the log of a capture, or of a part of it.
fn write_log(
    capture: &CaptureArg,
    (settings, part): (&Settings, Option<Part>),
    run: Run<'_>,
    out: (&str, impl io::Write),
) -> Result<ReadingEnd> {
    match part {
        Some(part) => fingerprint_parts::write_part(capture, (settings, part), run, out),
        None => audit::write_log(capture, settings, run, out),
    }
}

/// `evenbeat report`: builds the report of an audit again.
pub fn report(arguments: &ReportArguments) -> Result<Exit> {
    let existing = existing(arguments.force);
    let folder = arguments.out.clone().unwrap_or_else(|| default_report_folder(&arguments.audit));
    let mut inputs = vec![Input { what: "the audit", path: &arguments.audit }];
    inputs.extend(arguments.capture.as_ref().map(|capture| Input { what: CAPTURE, path: capture.as_ref() }));
    inputs.extend(arguments.decoder.as_ref().map(|path| Input { what: "the decoder", path }));
    inputs.extend(about_of(&arguments.about));
    refuse_inputs(&[Output { what: FOLDER, path: &folder }], &inputs)?;
    let (mut audit, mut provenance) = audit_store::read(&arguments.audit)?;
    audit.device = arguments.about.facts()?.or(std::mem::take(&mut audit.device));
    let stretch = stretch(arguments)?;
    let folder = reserve(&folder, existing, &audit_store::FILES)?;
    if let Some(lacking) = audit_store::lacking(&audit) {
        say::tell(&format!("{}: does not hold {lacking}", arguments.audit.display()));
    }
    if let Some(zone) = arguments.time_zone {
        provenance.audited_at = provenance.audited_at.with_timezone(&zone);
    }
    let settings = settings_of(&provenance, arguments)?;
    let wanted =
        Wanted { audit: &audit, settings: &settings, provenance: &provenance, megabytes: arguments.pictures };
    let pictures = match &arguments.capture {
        Some(capture) => pictures::of_capture(&CaptureArg::from(capture.clone()), wanted),
        None => Pictures::none("There are no pictures: the report was built again without the capture."),
    };
    let path = folder.path().to_owned();
    report::write_all(
        &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: stretch.as_ref() },
        folder,
    )?;
    say(arguments.quiet, &audit, &path);
    // Findings are no fault of the report; that it is of a part only has to be known.
    Ok(if audit.complete { Exit::Clean } else { Exit::NotWhole })
}

/// How the capture has to be read so that it gives the frames of the audit. Programs and files are the person's to
/// name: an audit may come from anyone.
fn settings_of(provenance: &Provenance, arguments: &ReportArguments) -> Result<Settings> {
    let recorded = RecordedSettings::of(&provenance.changed_settings).map_err(|(name, value)| {
        Error::new(
            arguments.audit.display().to_string(),
            "one of its settings is not understood",
            format!("{} {}", excerpt(&name), excerpt(&value)),
            "build the report with the version of evenbeat that made the audit",
        )
    })?;
    Ok(recorded.with_decoder(arguments.decoder.clone()))
}

/// The stretch of the timeline that was asked for.
fn stretch(arguments: &ReportArguments) -> Result<Option<Range<f64>>> {
    let (from, to) = (arguments.timeline_from, arguments.timeline_to);
    if from.is_none() && to.is_none() {
        return Ok(None);
    }
    let stretch = from.unwrap_or(0.0)..to.unwrap_or(f64::MAX);
    if stretch.start < stretch.end {
        return Ok(Some(stretch));
    }
    Err(Error::new(
        "--timeline-to",
        "the timeline has no length",
        format!("it ends at {} s and begins at {} s", stretch.end, stretch.start),
        "give an end after the beginning",
    ))
}

/// `<audit>-report` in the current folder.
fn default_report_folder(audit: &Path) -> PathBuf {
    PathBuf::from(format!("{}-report", audit_name(audit)))
}

/// Folder of the demonstration's comparison, beside the devices' reports.
const DEMO_COMPARISON: &str = "comparison";

/// `evenbeat demo`: paints four devices on one clip and audits each.
pub fn demo(arguments: &DemoArguments) -> Result<Exit> {
    if arguments.campaign {
        return demo_campaign::demo(arguments);
    }
    let devices = evenbeat::demo::demo_captures();
    let names: Vec<&str> = devices.iter().map(|device| device.device).chain([DEMO_COMPARISON]).collect();
    let whole = reserve(&arguments.out, existing(arguments.force), &names)?;
    let settings = Settings::default();
    let mut worst = Exit::Clean;
    let mut audits = Vec::new();
    for device in devices {
        let audit = watched(arguments.quiet, device.device, |run| {
            audit::audit_source(device.open(), &settings, run)
        })?;
        let folder = whole.report_within(device.device)?;
        let provenance = provenance(&settings, &[], PathNames::Last)?;
        let wanted = Wanted {
            audit: &audit,
            settings: &settings,
            provenance: &provenance,
            megabytes: PICTURES_DEFAULT_MB,
        };
        let pictures = pictures::of_source(&mut || Ok(device.open()), wanted);
        let path = folder.path().to_owned();
        report::write_all(
            &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None },
            folder,
        )?;
        if !arguments.quiet {
            say::answer(&format!("painted: {} {}\n", device.device, device.truth));
        }
        say(arguments.quiet, &audit, &path);
        // Findings are what the demonstration is for.
        match exit(&audit, None) {
            Exit::Clean | Exit::Findings => {}
            not_whole => worst = not_whole,
        }
        audits.push(whole.path_within(device.device));
        if STOP.load(Ordering::SeqCst) {
            whole.commit()?;
            return Ok(worst);
        }
    }
    let compared = compare_into(&audits, whole.report_within(DEMO_COMPARISON)?, arguments.quiet)?;
    whole.commit()?;
    Ok(if worst == Exit::Clean { compared } else { worst })
}

/// `evenbeat testclip`: paints the clip.
pub fn testclip(arguments: &TestclipArguments) -> Result<Exit> {
    let settings = arguments.settings();
    settings.identity()?;
    let display = Display::new(arguments.quiet, "painted");
    let written = if arguments.out == Path::new("-") {
        let out = BufWriter::new(io::stdout().lock());
        shown_on(&display, |run| write_clip(&settings, ("standard output", out), (run.progress, run.stop)))?
    } else {
        let mut clip = WholeFile::reserve(&arguments.out, TEST_CLIP, existing(arguments.force))?;
        let place = arguments.out.display().to_string();
        let written =
            shown_on(&display, |run| write_clip(&settings, (&place, &mut clip), (run.progress, run.stop)))?;
        // A clip that is cut short looks like a whole one: it takes no place.
        if written.ended != Ended::Interrupted {
            clip.commit()?;
        }
        written
    };
    Ok(match written.ended {
        // Who reads the clip decides how much of it is wanted.
        Ended::Whole | Ended::ReaderGone => Exit::Clean,
        Ended::Interrupted => {
            let (frames, all) = (written.frames, settings.frames);
            say::tell(&format!("interrupted: {} of {} painted", grouped(frames), counted(all, "frame")));
            Exit::Interrupted
        }
    })
}

/// What an audit reads: none of it may be written to.
fn inputs_of<'a>(capture: &'a OsStr, settings: &'a Settings) -> Vec<Input<'a>> {
    let reading = &settings.reading;
    let named = [
        ("the file of times", &reading.timestamps),
        ("the decoder", &reading.decoder),
        ("the clip that was played", &settings.reference),
    ];
    let named = named.into_iter().filter_map(|(what, path)| Some(Input { what, path: path.as_deref()? }));
    [Input { what: CAPTURE, path: capture.as_ref() }].into_iter().chain(named).collect()
}

/// The file about the device, which is read too.
fn about_of(about: &AboutArguments) -> Option<Input<'_>> {
    about.about.as_ref().map(|path| Input { what: "the file about the device", path })
}

/// The folder of a report, ours from now on.
fn reserve(path: &Path, existing: Existing, names: &[&str]) -> Result<OutputFolder> {
    let folder = OutputFolder::reserve(path, existing)?;
    folder.expect_free(names)?;
    Ok(folder)
}

/// The JUnit file, which is no file of the report.
fn junit_file(path: &Path, folder: &Path, existing: Existing) -> Result<WholeFile> {
    let whole = |path: &Path| path.canonicalize().or_else(|_| std::path::absolute(path)).ok();
    let above = path.parent().filter(|above| !above.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let is_file_of_report = whole(above) == whole(folder)
        && path
            .file_name()
            .is_some_and(|name| audit_store::FILES.iter().chain([&MANIFEST]).any(|file| name == *file));
    if is_file_of_report || whole(path) == whole(folder) {
        return Err(Error::new(
            path.display().to_string(),
            JUNIT,
            "the report itself goes there",
            "choose another file",
        ));
    }
    WholeFile::reserve(path, JUNIT, existing)
}

/// Runs `work`, which reads frames, under a progress display and the interrupt flag.
fn watched<T>(quiet: bool, what: &str, work: impl FnOnce(Run<'_>) -> Result<T>) -> Result<T> {
    let display = Display::new(quiet, "read");
    display.attend(what, || shown_on(&display, work))
}

/// How a capture is called in what is said of it.
fn named(capture: &OsStr) -> String {
    if capture == "-" {
        "standard input".to_owned()
    } else {
        capture.to_string_lossy().into_owned()
    }
}

fn shown_on<T>(display: &Display, work: impl FnOnce(Run<'_>) -> Result<T>) -> Result<T> {
    let outcome = work(Run { progress: display, stop: &STOP });
    display.finish();
    outcome
}

fn existing(force: bool) -> Existing {
    if force {
        Existing::Replace
    } else {
        Existing::Keep
    }
}

/// `<capture name>-audit` in the current folder.
fn default_folder(capture: &CaptureArg) -> PathBuf {
    let name = match capture {
        CaptureArg::StandardInput => "standard-input".to_owned(),
        CaptureArg::Path(path) => path
            .file_stem()
            .map(|stem| stem.to_string_lossy().replace(['*', '?'], "_"))
            .unwrap_or_else(|| "capture".to_owned()),
    };
    PathBuf::from(format!("{name}-audit"))
}

/// Who audits, how and when.
fn provenance(settings: &Settings, requirements: &[Requirement], names: PathNames) -> Result<Provenance> {
    let required = requirements.iter().map(|one| ("--require".to_owned(), one.to_string()));
    Ok(Provenance {
        tool_version: env!("CARGO_PKG_VERSION").to_owned(),
        command_line: command_line::recorded(names),
        audited_at: now()?,
        changed_settings: settings.changed(names).into_iter().chain(required).collect(),
        shell: Shell::HERE,
    })
}

/// The time of the audit: the clock's, or SOURCE_DATE_EPOCH where it is set, so that a report can be built
/// again byte for byte (reproducible-builds.org specification).
pub(super) fn now() -> Result<DateTime<FixedOffset>> {
    let Some(epoch) = env::var_os("SOURCE_DATE_EPOCH") else {
        return Ok(chrono::Local::now().fixed_offset());
    };
    epoch
        .to_str()
        .and_then(|text| text.parse().ok())
        .and_then(|seconds| DateTime::<Utc>::from_timestamp(seconds, 0))
        .map(|time| time.fixed_offset())
        .ok_or_else(|| {
            Error::new(
                "SOURCE_DATE_EPOCH",
                "not a time",
                format!("{:?}, allowed are whole seconds since 1970", epoch),
                "set it to a number of seconds or unset it",
            )
        })
}

/// Prints the summary, or what a quiet run must not keep to itself; closed streams must not change the outcome.
fn say(quiet: bool, audit: &Audit, folder: &Path) {
    if quiet {
        say_incomplete(&audit.facts.name, audit);
        return;
    }
    let page = folder.join(audit_store::REPORT_HTML);
    say::answer_lines(&report::terminal::summary(audit, say::columns()));
    say::answer(&format!("report: {}\n\n", page.display()));
}

/// Says why an audit is of a part only, if it is.
fn say_incomplete(name: &str, audit: &Audit) {
    let why = audit.notes.iter().find(|note| note.code.makes_incomplete());
    if let Some(note) = why {
        say::tell(&format!("{name}: not whole: {}", note.text.trim_end_matches('.')));
        say::hint("what was read is in the report, which is marked incomplete");
    }
}

/// The exit status that an audit asks for.
fn exit(audit: &Audit, fail_at: Option<Severity>) -> Exit {
    if audit.notes.iter().any(|note| note.code == NoteCode::Interrupted) {
        return Exit::Interrupted;
    }
    if !audit.complete {
        return Exit::NotWhole;
    }
    let found = audit.findings.iter().any(|finding| fail_at.is_some_and(|level| finding.severity >= level));
    if found || audit.requirements.iter().any(|outcome| !outcome.passed) {
        return Exit::Findings;
    }
    Exit::Clean
}
