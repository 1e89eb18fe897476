//! What the fuzzer feeds: every reader of bytes that may come from a stranger. For the project's own tests and `fuzz/`.

use std::path::PathBuf;
use std::thread;

use crate::audit_store;
use crate::capture;

/// A reader. It answers whether it takes the bytes for something whole.
pub struct Target {
    /// Its name on the command line of the fuzzer.
    pub name: &'static str,
    /// Reads.
    pub run: fn(&[u8]) -> bool,
}

/// All of them.
pub const TARGETS: &[Target] = &[
    Target { name: "y4m", run: capture::fuzzing::y4m },
    Target { name: "nut", run: capture::fuzzing::nut },
    Target { name: "log", run: capture::fuzzing::log },
    Target { name: "times", run: capture::fuzzing::times },
    Target { name: "decoder-messages", run: capture::fuzzing::decoder_messages },
    Target { name: "image", run: |bytes| capture::fuzzing::image(bytes, &own_folder("image")) },
    Target { name: "page", run: |bytes| audit_store::fuzzing::page(bytes, &own_folder("page")) },
    Target { name: "pictures", run: audit_store::fuzzing::pictures },
    Target { name: "provenance", run: audit_store::fuzzing::provenance_document },
    Target { name: "table", run: audit_store::fuzzing::table },
];

/// Frames of the audit that seeds are made from.
pub const FRAMES: usize = audit_store::fuzzing::FRAMES;

/// A folder of this process and thread for readers that want files.
fn own_folder(kind: &str) -> PathBuf {
    let thread: String =
        format!("{:?}", thread::current().id()).chars().filter(char::is_ascii_digit).collect();
    std::env::temp_dir().join(format!("evenbeat-fuzz-{}-{thread}-{kind}", std::process::id()))
}
