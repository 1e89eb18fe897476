//! What each command does, one function each.

use std::env;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use chrono::{DateTime, FixedOffset, Utc};
use evenbeat::audit::{self, Audit, Run};
use evenbeat::capture::CaptureArg;
use evenbeat::error::{excerpt, Error, Result};
use evenbeat::note::NoteCode;
use evenbeat::pictures::Pictures;
use evenbeat::report::write::{write_error, Existing};
use evenbeat::report::{self, OutputFolder, Provenance, Report, Shell};
use evenbeat::settings::{PathNames, RecordedSettings, Settings};
use evenbeat::testclip::{write_clip, Ended};
use evenbeat::verdict::gate::Requirement;
use evenbeat::verdict::Severity;

use super::arguments::{
    AuditArguments, CaptureArguments, DemoArguments, FingerprintArguments, ReportArguments,
    TestclipArguments, PICTURES_DEFAULT_MB,
};
use super::command_line;
use super::compare::{audit_name, compare, CompareArguments};
use super::exit::Exit;
use super::interrupt::STOP;
use super::pictures::{self, Wanted};
use super::progress_bar::Display;

/// How errors call the files that are no folder.
const LOG: &str = "fingerprint log";
const JUNIT: &str = "JUnit file";
const TEST_CLIP: &str = "test clip";

/// `evenbeat audit`: reads, writes the report, prints the summary.
pub fn audit(arguments: &AuditArguments) -> Result<Exit> {
    let capture = CaptureArg::from(arguments.reading.capture.clone());
    let settings = arguments.settings();
    let existing = existing(arguments.output.force);
    let folder = match &arguments.output.out {
        Some(folder) => folder.clone(),
        None => default_folder(&capture),
    };
    // Asked before hours of reading, not after.
    OutputFolder::check(&folder, existing)?;
    if let Some(junit) = &arguments.output.junit {
        check_file(junit, JUNIT, existing)?;
    }
    let provenance = provenance(&settings, &arguments.output.require, arguments.output.path_names())?;
    let mut audit = watched(arguments.reading.quiet, |run| audit::audit(&capture, &settings, run))?;
    audit.hold_against(&arguments.output.require);
    let folder = OutputFolder::create(&folder, existing)?;
    let wanted = Wanted {
        audit: &audit,
        settings: &settings,
        provenance: &provenance,
        megabytes: arguments.output.pictures,
    };
    let pictures = pictures::of_capture(&capture, wanted);
    report::write_all(
        &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None },
        &folder,
    )?;
    if let Some(junit) = &arguments.output.junit {
        write_text(junit, JUNIT, &report::junit::document(&audit, &provenance))?;
    }
    say(arguments.reading.quiet, &report::terminal::summary(&audit), folder.path());
    Ok(exit(&audit, arguments.output.failing_severity()))
}

/// `evenbeat fingerprint`: the hashing pass alone.
pub fn fingerprint(arguments: &FingerprintArguments) -> Result<Exit> {
    let CaptureArguments { capture, quiet, .. } = &arguments.reading;
    let capture = CaptureArg::from(capture.clone());
    let settings = arguments.reading.settings();
    let end = if arguments.out == Path::new("-") {
        let out = BufWriter::new(io::stdout().lock());
        watched(*quiet, |run| audit::write_log(&capture, &settings, run, ("standard output", out)))?
    } else {
        check_file(&arguments.out, LOG, existing(arguments.force))?;
        let out = OnDemand { path: &arguments.out, file: None };
        let place = arguments.out.display().to_string();
        watched(*quiet, |run| audit::write_log(&capture, &settings, run, (&place, out)))?
    };
    for note in &end.end.notes {
        // A closed standard error must not change the outcome.
        let _ = writeln!(io::stderr(), "evenbeat: {}: {}", note.code.name(), note.text);
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

/// `evenbeat report`: builds the report of an audit again.
pub fn report(arguments: &ReportArguments) -> Result<Exit> {
    let existing = existing(arguments.force);
    let folder = arguments.out.clone().unwrap_or_else(|| default_report_folder(&arguments.audit));
    OutputFolder::check(&folder, existing)?;
    let (audit, mut provenance) = report::rebuild::read(&arguments.audit)?;
    if let Some(lacking) = report::rebuild::lacking(&audit) {
        // A closed standard error must not change the outcome.
        let _ = writeln!(io::stderr(), "evenbeat: {}: does not hold {lacking}", arguments.audit.display());
    }
    if let Some(zone) = arguments.time_zone {
        provenance.audited_at = provenance.audited_at.with_timezone(&zone);
    }
    let stretch = stretch(arguments)?;
    let settings = settings_of(&provenance, arguments)?;
    let wanted =
        Wanted { audit: &audit, settings: &settings, provenance: &provenance, megabytes: arguments.pictures };
    let pictures = match &arguments.capture {
        Some(capture) => pictures::of_capture(&CaptureArg::from(capture.clone()), wanted),
        None => Pictures::none("There are no pictures: the report was built again without the capture."),
    };
    let folder = OutputFolder::create(&folder, existing)?;
    report::write_all(
        &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: stretch.as_ref() },
        &folder,
    )?;
    say(arguments.quiet, &report::terminal::summary(&audit), folder.path());
    Ok(Exit::Clean)
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
    let existing = existing(arguments.force);
    OutputFolder::check(&arguments.out, existing)?;
    let settings = Settings::default();
    let mut worst = Exit::Clean;
    let mut audits = Vec::new();
    for device in evenbeat::demo::demo_captures() {
        let audit = watched(arguments.quiet, |run| audit::audit_source(device.open(), &settings, run))?;
        let folder = OutputFolder::create(&arguments.out.join(device.device), Existing::Replace)?;
        let provenance = provenance(&settings, &[], PathNames::Last)?;
        let wanted = Wanted {
            audit: &audit,
            settings: &settings,
            provenance: &provenance,
            megabytes: PICTURES_DEFAULT_MB,
        };
        let pictures = pictures::of_source(&mut || Ok(device.open()), wanted);
        report::write_all(
            &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None },
            &folder,
        )?;
        if !arguments.quiet {
            let _ = writeln!(io::stdout(), "painted: {} {}", device.device, device.truth);
        }
        say(arguments.quiet, &report::terminal::summary(&audit), folder.path());
        // Findings are what the demonstration is for.
        match exit(&audit, None) {
            Exit::Clean | Exit::Findings => {}
            not_whole => worst = not_whole,
        }
        if STOP.load(Ordering::SeqCst) {
            return Ok(worst);
        }
        audits.push(folder.path().to_owned());
    }
    let compared = compare(&CompareArguments {
        audits,
        out: arguments.out.join(DEMO_COMPARISON),
        force: true,
        quiet: arguments.quiet,
    })?;
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
        check_file(&arguments.out, TEST_CLIP, existing(arguments.force))?;
        let out = OnDemand { path: &arguments.out, file: None };
        let place = arguments.out.display().to_string();
        shown_on(&display, |run| write_clip(&settings, (&place, out), (run.progress, run.stop)))?
    };
    Ok(match written.ended {
        // Who reads the clip decides how much of it is wanted.
        Ended::Whole | Ended::ReaderGone => Exit::Clean,
        Ended::Interrupted => {
            let (frames, all) = (written.frames, settings.frames);
            let _ = writeln!(io::stderr(), "evenbeat: interrupted: {frames} of {all} frames are painted");
            Exit::Interrupted
        }
    })
}

/// Runs `work`, which reads frames, under a progress display and the interrupt flag.
fn watched<T>(quiet: bool, work: impl FnOnce(Run<'_>) -> Result<T>) -> Result<T> {
    shown_on(&Display::new(quiet, "read"), work)
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

/// Refuses a file that is there, or whose folder is not, before the work and not after it.
fn check_file(path: &Path, what: &str, existing: Existing) -> Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    if folder.is_some_and(|folder| !folder.is_dir()) {
        return Err(Error::new(
            path.display().to_string(),
            format!("cannot write {what}"),
            "its folder is not there",
            "make the folder, or choose another file",
        ));
    }
    // Devices and pipes hold nothing that could be lost.
    let is_file = fs::metadata(path).is_ok_and(|found| found.is_file());
    if existing == Existing::Replace || !is_file {
        return Ok(());
    }
    Err(Error::new(
        path.display().to_string(),
        what,
        "exists already",
        "choose another file, or replace it with --force",
    ))
}

fn write_text(path: &Path, what: &str, text: &str) -> Result<()> {
    fs::write(path, text).map_err(|error| Error {
        hint: "free some space or choose another file".to_owned(),
        ..write_error(path, &format!("cannot write {what}"), &error)
    })
}

/// A file that is created with its first byte, so that a capture that cannot be opened leaves none behind.
struct OnDemand<'a> {
    path: &'a Path,
    file: Option<BufWriter<File>>,
}

impl Write for OnDemand<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.file {
            Some(file) => file.write(bytes),
            none => none.insert(BufWriter::new(File::create(self.path)?)).write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.as_mut().map_or(Ok(()), |file| file.flush())
    }
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
fn now() -> Result<DateTime<FixedOffset>> {
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

/// Prints the summary; a closed standard output must not change the outcome.
fn say(quiet: bool, summary: &str, folder: &Path) {
    if !quiet {
        let _ = write!(io::stdout(), "{summary}report: {}\n\n", folder.join(report::REPORT_HTML).display());
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
