//! Ctrl-C: the first asks the audit to end and report what it has, the second ends the program at once.

use std::sync::atomic::{AtomicBool, Ordering};

/// Set by the first interrupt.
pub static STOP: AtomicBool = AtomicBool::new(false);

/// Exit status of a program ended by an interrupt: 128 + 2, the number of SIGINT (common practice, no source).
const INTERRUPTED: i32 = 130;

/// Installs the handler. Without one an interrupt simply ends the program, so a failure is no error.
pub fn install() {
    let _ = ctrlc::set_handler(|| {
        if STOP.swap(true, Ordering::SeqCst) {
            std::process::exit(INTERRUPTED);
        }
    });
}
