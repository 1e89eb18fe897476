//! Reports from strangers: nothing that is read back runs a program, reads a file or shows what stands in one.
#![cfg(unix)]

mod cli_common;
mod common;

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use cli_common::{first_frames, Desk};
use evenbeat::audit::{self, Run};
use evenbeat::audit_store::Provenance;
use evenbeat::capture::CaptureArg;
use evenbeat::output::{Existing, OutputFolder};
use evenbeat::pictures::Pictures;
use evenbeat::pipeline::NoProgress;
use evenbeat::report::{write_all, Report};
use evenbeat::settings::Settings;

/// A report whose parts all belong together, of an audit that claims these settings.
fn write_claiming(desk: &Desk, folder: &str, settings: &[(&str, &str)]) {
    let capture = CaptureArg::Path(desk.path("a.y4m"));
    let stop = AtomicBool::new(false);
    let audit =
        audit::audit(&capture, &Settings::default(), Run { progress: &NoProgress, stop: &stop }).unwrap();
    let changed_settings =
        settings.iter().map(|&(name, value)| (name.to_owned(), value.to_owned())).collect();
    let provenance = Provenance { changed_settings, ..common::provenance() };
    let pictures = Pictures::default();
    let target = OutputFolder::reserve(&desk.path(folder), Existing::Keep).unwrap();
    write_all(&Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None }, target)
        .unwrap();
}

/// All that a folder holds, one text after the other.
fn everything_in(folder: &Path) -> String {
    let read = |entry: std::io::Result<fs::DirEntry>| {
        String::from_utf8_lossy(&fs::read(entry.unwrap().path()).unwrap()).into_owned()
    };
    fs::read_dir(folder).unwrap().map(read).collect()
}

#[test]
fn a_report_names_no_program_and_no_file_to_read() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 20));
    desk.write("secret", "correct-horse-battery\n");
    desk.write("evil", "#!/bin/sh\ntouch evil-ran\n");
    fs::set_permissions(desk.path("evil"), fs::Permissions::from_mode(0o755)).unwrap();
    // What only a decoder could read.
    desk.write("a.mkv", b"\x1a\x45\xdf\xa3 nothing that is built in");
    let [evil, secret] = ["evil", "secret"].map(|name| desk.path(name).display().to_string());
    let claims = [
        vec![("--decoder", evil.as_str())],
        vec![("--timestamps", secret.as_str())],
        vec![("--reference", secret.as_str())],
        vec![("--decoder", evil.as_str()), ("--timestamps", secret.as_str()), ("--stream", "1")],
    ];
    for (number, claim) in claims.iter().enumerate() {
        let folder = format!("claim-{number}");
        write_claiming(&desk, &folder, claim);
        for audit in [folder.clone(), format!("{folder}/report.html")] {
            for capture in ["a.y4m", "a.mkv"] {
                let ran = desk.run(&format!("report {audit} --capture {capture} --out {folder}-{capture}"));
                assert_eq!(ran.status, Some(0), "{audit} {capture}: {}", ran.stderr);
                let built = everything_in(&desk.path(format!("{folder}-{capture}")));
                for shown in [&built, &ran.stdout, &ran.stderr] {
                    assert!(!shown.contains("correct-horse"), "{audit} {capture}");
                }
                fs::remove_dir_all(desk.path(format!("{folder}-{capture}"))).unwrap();
            }
        }
    }
    assert!(!desk.path("evil-ran").exists());
    // The person may name it all the same.
    let ran = desk.run(&format!("report claim-0 --capture a.mkv --decoder {evil} --out named"));
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    assert!(desk.path("evil-ran").exists());
}

#[test]
fn a_setting_that_is_none_is_refused_and_quoted_in_part() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 5));
    let long = "x".repeat(5000);
    write_claiming(&desk, "audit", &[("--colour", &long)]);
    desk.run("report audit --out again").assert_error(
        &format!("audit: one of its settings is not understood: \"--colour\" \"{}\" …", "x".repeat(40)),
        "build the report with the version of evenbeat that made the audit",
    );
    assert!(!desk.path("again").exists());
}
