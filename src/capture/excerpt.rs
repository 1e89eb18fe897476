//! A piece of a recording, cut by the decoder program without decoding it: what is sent to a maker must be what was
//! recorded.

use std::ffi::{OsStr, OsString};
use std::io::{self, Read, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread;

use super::containers;
use super::decoder::{DecoderVersion, RunningChild, DEFAULT_DECODER};
use super::limits::cause_of;
use crate::cancel::Cancel;
use crate::error::{Error, Result};
use crate::settings::ReadingSettings;

/// Longest message of the program that is kept, bytes.
const MESSAGE_MAX: u64 = 4096;
/// What packets begin with in Matroska (RFC 9559, the element Cluster).
const CLUSTER: [u8; 4] = [0x1f, 0x43, 0xb6, 0x75];
/// What is copied at once, bytes.
const CHUNK: usize = 64 * 1024;

/// Copies the packets of a stretch, seconds from the start of the recording, into `out` as Matroska. It begins at the last
/// picture before the stretch from which decoding can start. Returns its length, bytes.
///
/// # Errors
/// The program is missing or fails, the recording is none it can read, or `out` cannot be written.
pub fn copy_excerpt(
    recording: &Path,
    settings: &ReadingSettings,
    stretch: &Range<f64>,
    cancel: &Cancel,
    out: &mut dyn Write,
) -> Result<u64> {
    let place = recording.display().to_string();
    let program = settings.decoder.clone().map_or_else(|| DEFAULT_DECODER.into(), PathBuf::into_os_string);
    DecoderVersion::ask(&program, &place, cancel)?;
    let failed = |cause: String| {
        Error::new(
            place.clone(),
            "no excerpt can be cut",
            cause,
            "leave --excerpt out, or give the recording that was audited",
        )
    };
    let (child, pipes) =
        start(&program, &arguments(recording, settings.stream.unwrap_or(0), stretch), cancel)
            .map_err(|error| failed(cause_of(&error)))?;
    let (Some(stdout), Some(stderr)) = (pipes.stdout, pipes.stderr) else {
        child.end();
        return Err(failed("its output is not connected".to_owned()));
    };
    // Read on a thread of its own: a program that complains much would wait for ever.
    let message = thread::spawn(move || last_words(stderr));
    let copied = copy(stdout, out);
    child.end();
    let message = message.join().unwrap_or_default();
    match copied {
        Ok(Copied { bytes, has_packets: true }) => Ok(bytes),
        // As of streams whose pictures have no times.
        Ok(_) if message.is_empty() => Err(failed("nothing of it can be found by its time".to_owned())),
        Ok(_) => Err(failed(message)),
        Err(error) => Err(failed(cause_of(&error))),
    }
}

fn start(
    program: &OsStr,
    arguments: &[OsString],
    cancel: &Cancel,
) -> io::Result<(RunningChild, super::decoder::Pipes)> {
    let mut command = Command::new(program);
    command
        .args(arguments)
        .env("AV_LOG_FORCE_NOCOLOR", "1")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    RunningChild::start(&mut command, cancel)
}

/// Arguments that copy one video stream of a stretch, with nothing that names the person's machine.
fn arguments(recording: &Path, stream: u32, stretch: &Range<f64>) -> Vec<OsString> {
    let (from, length) = (format!("{:.6}", stretch.start), format!("{:.6}", stretch.end - stretch.start));
    let mut arguments: Vec<OsString> =
        ["-hide_banner", "-nostdin", "-nostats", "-loglevel", "error", "-ss", &from, "-t", &length]
            .map(OsString::from)
            .into();
    arguments.extend(containers::input_options("file").map(OsString::from));
    let mut input = OsString::from("file:");
    input.push(recording);
    arguments.extend(["-i".into(), input, "-map".into(), format!("0:V:{stream}").into()]);
    arguments.extend(
        [
            "-c",
            "copy",
            "-map_metadata",
            "-1",
            "-map_chapters",
            "-1",
            "-fflags",
            "+bitexact",
            "-f",
            "matroska",
            "pipe:1",
        ]
        .map(OsString::from),
    );
    arguments
}

/// What was copied.
#[derive(Debug, PartialEq)]
struct Copied {
    bytes: u64,
    /// Whether there is more than a head: the program calls that a success.
    has_packets: bool,
}

fn copy(mut from: impl Read, to: &mut dyn Write) -> io::Result<Copied> {
    let mut chunk = vec![0; CHUNK];
    // A mark may lie across two chunks.
    let mut seen: Vec<u8> = Vec::new();
    let mut copied = Copied { bytes: 0, has_packets: false };
    loop {
        match from.read(&mut chunk) {
            Ok(0) => return Ok(copied),
            Ok(read) => {
                to.write_all(&chunk[..read])?;
                copied.bytes += read as u64;
                if !copied.has_packets {
                    seen.extend_from_slice(&chunk[..read]);
                    copied.has_packets = seen.windows(CLUSTER.len()).any(|window| window == CLUSTER);
                    seen.drain(..seen.len().saturating_sub(CLUSTER.len() - 1));
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// The last line of what the program complains of; the rest is read and dropped.
fn last_words(mut from: impl Read) -> String {
    let mut text = Vec::new();
    let _ = from.by_ref().take(MESSAGE_MAX).read_to_end(&mut text);
    let _ = io::copy(&mut from, &mut io::sink());
    let text = String::from_utf8_lossy(&text);
    let line = text.lines().rfind(|line| !line.trim().is_empty()).unwrap_or_default();
    // The program names the file by its whole path.
    line.rsplit_once(": ").map_or(line, |(_, last)| last).trim().to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_program_copies_one_stream_of_a_file_and_follows_nothing() {
        let arguments = arguments(Path::new("a:b.mkv"), 1, &(8.0..12.5));
        let text: Vec<String> = arguments.iter().map(|one| one.to_string_lossy().into_owned()).collect();
        let after = |option: &str| text[text.iter().position(|one| one == option).unwrap() + 1].as_str();
        assert_eq!([after("-ss"), after("-t"), after("-i")], ["8.000000", "4.500000", "file:a:b.mkv"]);
        assert_eq!([after("-c"), after("-map"), after("-protocol_whitelist")], ["copy", "0:V:1", "file"]);
    }

    #[test]
    fn a_head_without_packets_is_no_excerpt() {
        for (pieces, has_packets) in [
            (&[&b"\x1a\x45\xdf\xa3 head"[..]][..], false),
            (&[b"head", b"\x1f\x43\xb6\x75 packets", b"more"], true),
            (&[b"head\x1f\x43", b"\xb6", b"\x75"], true),
            (&[b"head\x1f\x43", b"\xb6\x76"], false),
            (&[], false),
        ] {
            let whole = pieces.concat();
            // Pieces come as they were written.
            let from = pieces
                .iter()
                .fold(Box::new(io::empty()) as Box<dyn Read>, |from, piece| Box::new(from.chain(*piece)));
            let mut out = Vec::new();
            let copied = copy(from, &mut out).unwrap();
            assert_eq!(copied, Copied { bytes: whole.len() as u64, has_packets }, "{pieces:?}");
            assert_eq!(out, whole);
        }
    }

    #[test]
    fn complaints_lose_their_paths() {
        for (text, expected) in [
            ("", ""),
            (
                "file:/home/ann/a.mkv: Invalid data found when processing input\n",
                "invalid data found when processing input",
            ),
            ("one\n\ntwo\n\n", "two"),
        ] {
            assert_eq!(last_words(text.as_bytes()), expected);
        }
    }
}
