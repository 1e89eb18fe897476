//! What the tests of the command share: a folder of its own per test, the command run in it, small captures.
#![allow(dead_code)] // Each test binary uses its own part.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// Length of one frame of the sample captures of 64×36 pixels in 4:2:0, without its header.
pub const SAMPLE_FRAME_LEN: usize = 64 * 36 * 3 / 2;

/// How a run of the command ended.
#[derive(Debug)]
pub struct Ran {
    pub status: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl Ran {
    pub fn new(output: Output) -> Self {
        let text = |bytes| String::from_utf8(bytes).expect("output is UTF-8");
        Self { status: output.status.code(), stdout: text(output.stdout), stderr: text(output.stderr) }
    }

    /// Nothing but this error on standard error, nothing on standard output, status 2.
    pub fn assert_error(&self, error: &str, hint: &str) {
        let expected = format!("evenbeat: {error}\nhint: {hint}\n");
        assert_eq!((self.stderr.as_str(), self.stdout.as_str()), (expected.as_str(), ""));
        assert_eq!(self.status, Some(2), "{error}");
    }
}

/// A folder in which the command is run, so that the paths in its output are short and known.
pub struct Desk(tempfile::TempDir);

impl Desk {
    pub fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary folder"))
    }

    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn write(&self, name: impl AsRef<Path>, bytes: impl AsRef<[u8]>) {
        fs::write(self.path(name), bytes).expect("a file is written");
    }

    pub fn read(&self, name: impl AsRef<Path>) -> Vec<u8> {
        let path = self.path(name);
        fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    }

    pub fn json(&self, name: impl AsRef<Path>) -> Value {
        serde_json::from_slice(&self.read(name)).expect("JSON")
    }

    pub fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_evenbeat"));
        command.current_dir(self.0.path()).stdin(Stdio::null()).env_remove("SOURCE_DATE_EPOCH");
        command
    }

    /// Runs the command with blank-separated arguments.
    pub fn run(&self, arguments: &str) -> Ran {
        self.run_with(arguments.split_whitespace())
    }

    pub fn run_with(&self, arguments: impl IntoIterator<Item = impl AsRef<OsStr>>) -> Ran {
        Ran::new(self.command().args(arguments).output().expect("the command runs"))
    }

    /// Runs the command with bytes on its standard input.
    pub fn run_fed(&self, arguments: &str, bytes: &[u8]) -> Ran {
        let mut command = self.command();
        command.args(arguments.split_whitespace());
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the command runs");
        let mut stdin = child.stdin.take().expect("a pipe");
        let bytes = bytes.to_vec();
        // A command that ends early closes the pipe; what it says is looked at, not the write.
        let feeder = std::thread::spawn(move || std::io::Write::write_all(&mut stdin, &bytes));
        let output = child.wait_with_output().expect("the command ends");
        let _ = feeder.join().expect("the feeder ends");
        Ran::new(output)
    }
}

/// Writes the manifest of a report's folder anew, for the files that are there now.
pub fn bind_anew(folder: &Path) {
    use evenbeat::output::manifest::{Manifest, MANIFEST};
    let mut manifest = Manifest::read(folder).expect("a manifest");
    manifest.files.retain(|name, _| folder.join(name).exists());
    for (name, digest) in &mut manifest.files {
        *digest = blake3::hash(&fs::read(folder.join(name)).expect("a file")).to_hex().to_string();
    }
    fs::write(folder.join(MANIFEST), manifest.document()).expect("a file is written");
}

/// Path of a file in `samples/`.
pub fn sample(name: &str) -> String {
    format!("{}/samples/{name}", env!("CARGO_MANIFEST_DIR"))
}

/// Bytes of a file in `samples/`.
pub fn sample_bytes(name: &str) -> Vec<u8> {
    fs::read(sample(name)).expect("a sample")
}

/// The stand-in for the decoder, which does what the capture says.
pub fn stand_in() -> String {
    format!("{}/tests/fixtures/stand-in-decoder", env!("CARGO_MANIFEST_DIR"))
}

/// The first `count` frames of a sample of 64×36 pixels in 4:2:0, with the header.
pub fn first_frames(name: &str, count: usize) -> Vec<u8> {
    let bytes = sample_bytes(name);
    let header = bytes.iter().position(|&byte| byte == b'\n').expect("a header") + 1;
    bytes[..header + count * ("FRAME\n".len() + SAMPLE_FRAME_LEN)].to_vec()
}

/// Codes of the notes of an audit.
pub fn note_codes(audit: &Value) -> Vec<&str> {
    let notes = audit["notes"].as_array().expect("notes");
    notes.iter().map(|note| note["code"].as_str().expect("a code")).collect()
}

/// Text of the first note with this code.
pub fn note_text<'a>(audit: &'a Value, code: &str) -> &'a str {
    let notes = audit["notes"].as_array().expect("notes");
    let note = notes.iter().find(|note| note["code"] == code);
    note.unwrap_or_else(|| panic!("no note {code} in {notes:?}"))["text"].as_str().expect("a text")
}
