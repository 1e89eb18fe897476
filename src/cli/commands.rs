//! What each command does, one function each.

use std::env;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use chrono::{DateTime, FixedOffset, Utc};
use evenbeat::audit::{self, Audit, Run};
use evenbeat::capture::CaptureArg;
use evenbeat::error::{Error, Result};
use evenbeat::note::NoteCode;
use evenbeat::pictures::Pictures;
use evenbeat::report::write::{write_error, Existing};
use evenbeat::report::{self, OutputFolder, Provenance, Report};
use evenbeat::settings::Settings;
use evenbeat::verdict::Severity;

use super::arguments::{
    AuditArguments, CaptureArguments, DemoArguments, FingerprintArguments, ReportArguments,
    PICTURES_DEFAULT_MB,
};
use super::exit::Exit;
use super::interrupt::STOP;
use super::pictures::{self, Wanted};
use super::progress_bar::Display;

/// `evenbeat audit`: reads, writes the report, prints the summary.
pub fn audit(arguments: &AuditArguments) -> Result<Exit> {
    let capture = CaptureArg::from(arguments.reading.capture.clone());
    let settings = arguments.reading.settings(arguments.source_rate);
    let existing = existing(arguments.output.force);
    let folder = match &arguments.output.out {
        Some(folder) => folder.clone(),
        None => default_folder(&capture),
    };
    // Asked before hours of reading, not after.
    OutputFolder::check(&folder, existing)?;
    let audit = watched(arguments.reading.quiet, |run| audit::audit(&capture, &settings, run))?;
    let folder = OutputFolder::create(&folder, existing)?;
    let provenance = provenance(&settings)?;
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
    say(arguments.reading.quiet, &report::terminal::summary(&audit), folder.path());
    Ok(exit(&audit, arguments.output.fail_at.into()))
}

/// `evenbeat fingerprint`: the hashing pass alone.
pub fn fingerprint(arguments: &FingerprintArguments) -> Result<Exit> {
    let CaptureArguments { capture, quiet, .. } = &arguments.reading;
    let capture = CaptureArg::from(capture.clone());
    let settings = arguments.reading.settings(None);
    let end = if arguments.out == Path::new("-") {
        let out = BufWriter::new(io::stdout().lock());
        watched(*quiet, |run| audit::write_log(&capture, &settings, run, ("standard output", out)))?
    } else {
        let out = create_log(&arguments.out, arguments.force)?;
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

/// How the capture has to be read so that it gives the frames of the audit.
fn settings_of(provenance: &Provenance, arguments: &ReportArguments) -> Result<Settings> {
    let mut settings = Settings::from_changed(&provenance.changed_settings).map_err(|(name, value)| {
        Error::new(
            name,
            "the audit's setting is not understood",
            format!("{value:?}"),
            "build the report with the version of evenbeat that made the audit",
        )
    })?;
    if arguments.decoder.is_some() {
        settings.reading.decoder.clone_from(&arguments.decoder);
    }
    Ok(settings)
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
    let folder = if audit.is_dir() { Some(audit) } else { audit.parent() };
    let name = folder.and_then(Path::file_name).map_or_else(|| "audit".into(), |name| name.to_string_lossy());
    PathBuf::from(format!("{name}-report"))
}

/// `evenbeat demo`: paints four devices on one clip and audits each.
pub fn demo(arguments: &DemoArguments) -> Result<Exit> {
    let existing = existing(arguments.force);
    OutputFolder::check(&arguments.out, existing)?;
    let settings = Settings::default();
    let mut worst = Exit::Clean;
    for device in evenbeat::demo::demo_captures() {
        let audit = watched(arguments.quiet, |run| audit::audit_source(device.open(), &settings, run))?;
        let folder = OutputFolder::create(&arguments.out.join(device.device), Existing::Replace)?;
        let provenance = provenance(&settings)?;
        let wanted = Wanted {
            audit: &audit,
            settings: &settings,
            provenance: &provenance,
            megabytes: PICTURES_DEFAULT_MB,
        };
        let pictures = pictures::of_source(device.open(), wanted);
        report::write_all(
            &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None },
            &folder,
        )?;
        if !arguments.quiet {
            let _ = writeln!(io::stdout(), "painted: {} {}", device.device, device.truth);
        }
        say(arguments.quiet, &report::terminal::summary(&audit), folder.path());
        if matches!(exit(&audit, Severity::Warning), Exit::NotWhole | Exit::Interrupted) {
            worst = exit(&audit, Severity::Warning);
        }
        if STOP.load(Ordering::SeqCst) {
            break;
        }
    }
    Ok(worst)
}

/// Runs `work` under a progress display and the interrupt flag.
fn watched<T>(quiet: bool, work: impl FnOnce(Run<'_>) -> Result<T>) -> Result<T> {
    let display = Display::new(quiet);
    let outcome = work(Run { progress: &display, stop: &STOP });
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

fn create_log(path: &Path, force: bool) -> Result<BufWriter<File>> {
    let mut options = File::options();
    options.write(true);
    if force {
        options.create(true).truncate(true);
    } else {
        options.create_new(true);
    }
    options.open(path).map(BufWriter::new).map_err(|error| {
        if error.kind() == io::ErrorKind::AlreadyExists {
            return Error::new(
                path.display().to_string(),
                "fingerprint log",
                "exists already",
                "choose another file with --out, or replace it with --force",
            );
        }
        write_error(path, "cannot create fingerprint log", &error)
    })
}

/// Who audits, how and when.
fn provenance(settings: &Settings) -> Result<Provenance> {
    Ok(Provenance {
        tool_version: env!("CARGO_PKG_VERSION").to_owned(),
        command_line: env::args_os().map(|argument| argument.to_string_lossy().into_owned()).collect(),
        audited_at: now()?,
        changed_settings: settings.changed(),
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
fn exit(audit: &Audit, fail_at: Severity) -> Exit {
    if audit.notes.iter().any(|note| note.code == NoteCode::Interrupted) {
        return Exit::Interrupted;
    }
    if !audit.complete {
        return Exit::NotWhole;
    }
    if audit.findings.iter().any(|finding| finding.severity >= fail_at) {
        return Exit::Findings;
    }
    Exit::Clean
}
