//! Folders of reports: whole or not at all, whatever fails and whenever a run is killed.

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, ErrorKind};
use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::Arc;

use evenbeat::audit::{self, Audit, Run};
use evenbeat::audit_store;
use evenbeat::capture::CaptureArg;
use evenbeat::error::Result;
use evenbeat::output::{Disk, Existing, Faults, OutputFolder};
use evenbeat::pictures::Pictures;
use evenbeat::pipeline::NoProgress;
use evenbeat::report::{write_all, Report};
use evenbeat::settings::Settings;

/// What a folder holds below it: names, and content of files.
fn content(folder: &Path) -> Files {
    let mut found = BTreeMap::new();
    let Ok(entries) = fs::read_dir(folder) else { return found };
    for entry in entries {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if entry.file_type().unwrap().is_symlink() {
            found.insert(name, fs::read_link(entry.path()).unwrap().into_os_string().into_encoded_bytes());
        } else if entry.path().is_dir() {
            found.insert(format!("{name}/"), Vec::new());
            found.extend(
                content(&entry.path()).into_iter().map(|(below, text)| (format!("{name}/{below}"), text)),
            );
        } else {
            found.insert(name, fs::read(entry.path()).unwrap());
        }
    }
    found
}

/// Writes files that a report has, as they are: what fails is the disk's part, and rendering takes longer than it.
fn write_files(disk: Disk, files: &Files, folder: &Path) -> Result<()> {
    let target = OutputFolder::reserve_on(disk, folder, Existing::Replace)?;
    for (name, bytes) in files.iter().filter(|(name, _)| *name != "manifest.json") {
        target.write_file(name, |out| out.write_all(bytes))?;
    }
    target.commit()
}

/// The files of both audits' reports.
fn two_reports() -> [Files; 2] {
    two_audits().map(|audit| {
        let root = tempfile::tempdir().unwrap();
        write(&audit, &root.path().join("out"));
        content(&root.path().join("out"))
    })
}

fn put(files: &Files, folder: &Path) {
    write_files(Disk::default(), files, folder).unwrap();
}

fn digests(audit: &Audit) -> Vec<[u8; 32]> {
    audit.frames.iter().map(|frame| frame.digest).collect()
}

fn write_on(disk: Disk, audit: &Audit, folder: &Path) -> Result<()> {
    let target = OutputFolder::reserve_on(disk, folder, Existing::Replace)?;
    let provenance = common::provenance();
    write_all(
        &Report { audit, provenance: &provenance, pictures: &Pictures::default(), stretch: None },
        target,
    )
}

fn write(audit: &Audit, folder: &Path) {
    write_on(Disk::default(), audit, folder).unwrap();
}

/// Two audits that no part of can be taken for one of the other.
fn two_audits() -> [Audit; 2] {
    ["brass-kettle.y4m", "tin-whistle.y4m"].map(|name| {
        let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples").join(name);
        let stop = AtomicBool::new(false);
        let run = Run { progress: &NoProgress, stop: &stop };
        audit::audit(&CaptureArg::Path(sample), &Settings::default(), run).unwrap()
    })
}

/// Lets one step, or the write that passes a number of bytes, fail; after a failing one everything fails where the
/// program is to count as dead.
struct Fault {
    at: Point,
    steps: AtomicUsize,
    bytes: AtomicUsize,
    dies: bool,
    dead: AtomicBool,
    /// Kills the program for good.
    aborts: bool,
}

#[derive(Clone, Copy, PartialEq)]
enum Point {
    Step(usize),
    Byte(usize),
    /// Every exchange, as on a file system that knows none; and this step.
    NoExchange(usize),
}

impl Fault {
    fn new(at: Point, dies: bool) -> Arc<Self> {
        let (steps, bytes) = (AtomicUsize::new(0), AtomicUsize::new(0));
        Arc::new(Self { at, steps, bytes, dies, dead: false.into(), aborts: false })
    }

    fn fail<T>(&self) -> io::Result<T> {
        if self.aborts {
            std::process::abort();
        }
        self.dead.store(self.dies, Ordering::SeqCst);
        Err(ErrorKind::StorageFull.into())
    }
}

impl Faults for Fault {
    fn before(&self, step: &'static str) -> io::Result<()> {
        if self.dead.load(Ordering::SeqCst) {
            return Err(ErrorKind::Other.into());
        }
        let number = self.steps.fetch_add(1, Ordering::SeqCst);
        match self.at {
            Point::Step(at) | Point::NoExchange(at) if at == number => self.fail(),
            Point::NoExchange(_) if step == "exchange" => Err(ErrorKind::Unsupported.into()),
            _ => Ok(()),
        }
    }

    fn writing(&self, bytes: usize) -> io::Result<usize> {
        if self.dead.load(Ordering::SeqCst) {
            return Err(ErrorKind::Other.into());
        }
        let Point::Byte(at) = self.at else { return Ok(bytes) };
        let before = self.bytes.fetch_add(bytes, Ordering::SeqCst);
        match at.saturating_sub(before) {
            _ if before > at => Ok(bytes),
            0 => self.fail(),
            room => {
                let taken = room.min(bytes);
                self.bytes.fetch_sub(bytes - taken, Ordering::SeqCst);
                Ok(taken)
            }
        }
    }
}

type Files = BTreeMap<String, Vec<u8>>;

/// Steps that one writing over an earlier report takes.
fn steps(new: &Files, earlier: &Files, at: Point) -> usize {
    let root = tempfile::tempdir().unwrap();
    let folder = root.path().join("out");
    put(earlier, &folder);
    strangers(&folder);
    let fault = Fault::new(at, false);
    write_files(Disk::with_faults(fault.clone()), new, &folder).unwrap();
    fault.steps.load(Ordering::SeqCst)
}

/// What else lies in the folder: a file, a folder with one, a link that leads nowhere.
fn strangers(folder: &Path) {
    fs::write(folder.join("mine.txt"), "mine").unwrap();
    fs::create_dir(folder.join("mine")).unwrap();
    fs::write(folder.join("mine/too.txt"), "mine too").unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink("nowhere", folder.join("mine-link")).unwrap();
}

fn report_files(content: &Files) -> Files {
    content.iter().filter(|(name, _)| !name.contains("mine")).map(|(a, b)| (a.clone(), b.clone())).collect()
}

#[test]
fn what_belongs_to_no_audit_is_left_alone() {
    let root = tempfile::tempdir().unwrap();
    let folder = root.path().join("deep/out");
    let [first, second] = two_audits();
    write(&first, &folder);
    strangers(&folder);
    for audit in [&second, &first] {
        write(audit, &folder);
        assert!(digests(&audit_store::read(&folder).unwrap().0) == digests(audit));
        assert_eq!(fs::read(folder.join("mine.txt")).unwrap(), b"mine");
        assert_eq!(fs::read(folder.join("mine/too.txt")).unwrap(), b"mine too");
        #[cfg(unix)]
        assert_eq!(fs::read_link(folder.join("mine-link")).unwrap(), Path::new("nowhere"));
        assert_eq!(content(&root.path().join("deep")).keys().filter(|name| name.starts_with('.')).count(), 0);
    }
}

#[test]
fn only_an_earlier_report_is_replaced() {
    let root = tempfile::tempdir().unwrap();
    let path = root.path().join("out");
    let refused = |existing| OutputFolder::reserve(&path, existing).map(drop).unwrap_err();
    fs::create_dir(&path).unwrap();
    assert_eq!(refused(Existing::Keep).cause, "exists already");
    // What is empty holds nothing that could be lost.
    drop(OutputFolder::reserve(&path, Existing::Replace).unwrap());
    fs::write(path.join("audit.json"), "mine").unwrap();
    assert_eq!(refused(Existing::Replace).cause, "is not an earlier report, and only one is replaced");
    assert_eq!(content(root.path()).len(), 2, "nothing is left beside it");
    fs::remove_dir_all(&path).unwrap();
    write(&two_audits()[0], &path);
    assert_eq!(refused(Existing::Keep).cause, "exists already");
    // A file of its own kind in the way is found before the work.
    fs::write(path.join("strip.png"), "mine").unwrap();
    let folder = OutputFolder::reserve(&path, Existing::Replace).unwrap();
    let error = folder.expect_free(&["strip.png"]).unwrap_err();
    assert!(error
        .to_string()
        .ends_with("strip.png: in the way of a file of the report: it is no part of the earlier one"));
    drop(folder);
    fs::remove_dir_all(&path).unwrap();
    fs::write(&path, "mine").unwrap();
    assert_eq!(refused(Existing::Replace).cause, "exists and is not a folder");
    let below = OutputFolder::reserve(&path.join("deeper"), Existing::Keep).map(drop).unwrap_err();
    assert_eq!(below.what, "cannot create output folder");
    assert_eq!(fs::read(&path).unwrap(), b"mine");
}

#[test]
fn a_folder_that_is_given_up_leaves_nothing() {
    let root = tempfile::tempdir().unwrap();
    let folder = OutputFolder::reserve(&root.path().join("a/b/out"), Existing::Keep).unwrap();
    folder.write_file("audit.json", |out| out.write_all(b"{}")).unwrap();
    drop(folder);
    assert!(content(root.path()).is_empty());
}

#[test]
fn a_second_run_is_told_that_the_first_is_at_it() {
    let root = tempfile::tempdir().unwrap();
    let path = root.path().join("out");
    let [first, second] = two_audits();
    write(&first, &path);
    let folder = OutputFolder::reserve(&path, Existing::Replace).unwrap();
    let error = OutputFolder::reserve(&path, Existing::Replace).map(drop).unwrap_err();
    assert_eq!(error.cause, "another run of evenbeat is writing it");
    assert!(audit_store::read(&path).is_ok());
    drop(folder);
    write(&second, &path);
}

#[test]
fn two_runs_at_once_never_mix() {
    let root = tempfile::tempdir().unwrap();
    let path = root.path().join("out");
    let audits = two_audits();
    write(&audits[0], &path);
    for _ in 0..20 {
        let ended: Vec<bool> = std::thread::scope(|scope| {
            let runs: Vec<_> = audits
                .iter()
                .map(|audit| scope.spawn(|| write_on(Disk::default(), audit, &path).is_ok()))
                .collect();
            runs.into_iter().map(|run| run.join().unwrap()).collect()
        });
        assert!(ended.contains(&true));
        let read = audit_store::read(&path).unwrap().0;
        assert!(audits.iter().any(|audit| digests(audit) == digests(&read)));
    }
}

/// Checks what a failed or killed writing has left: the earlier report, or the new one, and nothing else lost.
fn assert_whole(folder: &Path, whole: [&Files; 2], what: &str) {
    let found = content(folder);
    let is_one = whole.iter().any(|whole| report_files(&found) == **whole);
    assert!(is_one, "{what}: {:?}", found.keys());
    assert!(audit_store::read(folder).is_ok(), "{what}");
    assert_eq!(found["mine.txt"], b"mine", "{what}");
}

#[test]
fn whatever_step_fails_the_earlier_report_is_whole_or_the_new_one() {
    let [earlier, new] = two_reports();
    for kind in [Point::Step as fn(usize) -> Point, Point::NoExchange] {
        let can_exchange = kind(0) == Point::Step(0);
        let steps = steps(&new, &earlier, kind(usize::MAX));
        assert!(steps > 20, "{steps}");
        for (at, dies) in (0..steps).flat_map(|at| [(at, false), (at, true)]) {
            let what = format!("step {at} of {steps}, dies: {dies}, exchange: {can_exchange}");
            let root = tempfile::tempdir().unwrap();
            let folder = root.path().join("out");
            put(&earlier, &folder);
            strangers(&folder);
            let outcome = write_files(Disk::with_faults(Fault::new(kind(at), dies)), &new, &folder);
            // Without an exchange there is a moment at which only the next run finds the earlier report.
            let is_between = !folder.exists();
            assert!(!is_between || dies && !can_exchange, "{what}");
            if !is_between {
                assert_whole(&folder, [&earlier, &new], &what);
                let is_new = report_files(&content(&folder)) == new;
                assert!(outcome.is_err() || is_new, "{what}: success means the new one");
            }
            // The next run sets right what is left, and everything else is there again.
            put(&new, &folder);
            assert_whole(&folder, [&new, &new], &what);
            assert_eq!(fs::read(folder.join("mine/too.txt")).unwrap(), b"mine too", "{what}");
            #[cfg(unix)]
            assert!(fs::symlink_metadata(folder.join("mine-link")).is_ok(), "{what}");
            assert_eq!(content(root.path()).keys().filter(|name| name.starts_with('.')).count(), 0, "{what}");
        }
    }
}

/// By default every 97th byte and those around the ends of writes; `EVENBEAT_FAULTS=all` asks for every one.
#[test]
fn whatever_byte_fails_the_earlier_report_is_whole() {
    let [earlier, new] = two_reports();
    let bytes: usize = new.values().map(Vec::len).sum();
    let root = tempfile::tempdir().unwrap();
    let folder = root.path().join("out");
    put(&earlier, &folder);
    strangers(&folder);
    let before = content(&folder);
    let all = std::env::var_os("EVENBEAT_FAULTS").is_some();
    let chosen = (0..bytes).filter(|at| all || at % 97 == 0 || (at + 1) % 8192 < 2 || bytes - at < 3);
    let mut tried = 0;
    for at in chosen {
        tried += 1;
        let dies = at % 2 == 1;
        let outcome = write_files(Disk::with_faults(Fault::new(Point::Byte(at), dies)), &new, &folder);
        let error = outcome.expect_err(&format!("byte {at} of {bytes}"));
        assert_eq!(error.cause, "no space left", "{at}");
        assert!(content(&folder) == before, "byte {at} of {bytes}");
    }
    assert!(tried > bytes / 100, "{tried}");
    assert!(audit_store::read(&folder).is_ok());
    put(&new, &folder);
    assert_whole(&folder, [&new, &new], "in the end");
    println!("{tried} of {bytes} bytes");
}

/// Set in a program that is to kill itself: the step, and the folder that it writes.
const KILLED: (&str, &str) = ("EVENBEAT_KILLED_AT", "EVENBEAT_KILLED_FOLDER");

/// Really killed at each step, as by a power cut but for what the disk has not written yet.
#[test]
fn a_run_that_is_killed_leaves_a_whole_report() {
    if let (Ok(at), Some(folder)) = (std::env::var(KILLED.0), std::env::var_os(KILLED.1)) {
        let point = Point::Step(at.parse().unwrap());
        let fault = Fault { aborts: true, ..Arc::into_inner(Fault::new(point, true)).unwrap() };
        let folder = Path::new(&folder);
        let new = content(&folder.with_file_name("new"));
        write_files(Disk::with_faults(Arc::new(fault)), &new, folder).unwrap();
        return;
    }
    let [earlier, new] = two_reports();
    let steps = steps(&new, &earlier, Point::Step(usize::MAX));
    let mut killed = 0;
    for at in 0..steps {
        let root = tempfile::tempdir().unwrap();
        let folder = root.path().join("out");
        put(&new, &root.path().join("new"));
        put(&earlier, &folder);
        strangers(&folder);
        let mut program = Command::new(std::env::current_exe().unwrap());
        program.args(["--exact", "a_run_that_is_killed_leaves_a_whole_report"]);
        let ended = program.env(KILLED.0, at.to_string()).env(KILLED.1, &folder).output().unwrap();
        killed += usize::from(!ended.status.success());
        assert_whole(&folder, [&earlier, &new], &format!("killed at step {at}"));
        put(&new, &folder);
        assert_whole(&folder, [&new, &new], &format!("after step {at}"));
        assert_eq!(content(root.path()).keys().filter(|name| name.starts_with('.')).count(), 0, "{at}");
    }
    assert_eq!(killed, steps);
}

#[cfg(unix)]
#[test]
fn folders_that_vanish_or_are_read_only_are_named() {
    use std::os::unix::fs::PermissionsExt;
    let [earlier, new] = two_audits();
    let root = tempfile::tempdir().unwrap();
    let above = root.path().join("above");
    let folder = above.join("out");
    write(&earlier, &folder);
    let vanishing = OutputFolder::reserve(&folder, Existing::Replace).unwrap();
    fs::remove_dir_all(&above).unwrap();
    let error = vanishing.write_file("audit.json", |out| out.write_all(b"{}")).unwrap_err();
    assert_eq!(error.cause, "the folder it belongs into is gone");
    drop(vanishing);
    write(&earlier, &folder);
    let before = content(&folder);
    fs::set_permissions(&above, fs::Permissions::from_mode(0o555)).unwrap();
    let outcome = write_on(Disk::default(), &new, &folder);
    fs::set_permissions(&above, fs::Permissions::from_mode(0o755)).unwrap();
    // Who may do everything may write here too.
    match outcome {
        Ok(()) => assert!(digests(&audit_store::read(&folder).unwrap().0) == digests(&new)),
        Err(error) => {
            assert_eq!(error.cause, "permission denied");
            assert!(content(&folder) == before);
        }
    }
}
