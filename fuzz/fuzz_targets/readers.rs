//! One reader, named by `EVENBEAT_FUZZ_READER`, driven by coverage.
#![no_main]

use std::sync::OnceLock;

use evenbeat::fuzz::{Target, TARGETS};
use libfuzzer_sys::fuzz_target;

fn target() -> &'static Target {
    static TARGET: OnceLock<&Target> = OnceLock::new();
    TARGET.get_or_init(|| {
        let name = std::env::var("EVENBEAT_FUZZ_READER").expect("EVENBEAT_FUZZ_READER names a reader");
        TARGETS.iter().find(|target| target.name == name).expect("a reader of that name")
    })
}

fuzz_target!(|bytes: &[u8]| {
    (target().run)(bytes);
});
