//! A browser driven by the scripts in `tests/browser`.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// A browser, Node.js and the packages, or why not.
fn browser() -> Result<PathBuf, String> {
    let runs =
        |program: &str| Command::new(program).arg("--version").output().is_ok_and(|out| out.status.success());
    if !runs("node") {
        return Err("node is not installed".to_owned());
    }
    if !scripts().join("node_modules/playwright-core").exists() {
        return Err("run `npm ci` in tests/browser".to_owned());
    }
    ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"]
        .into_iter()
        .map(PathBuf::from)
        .find(|path| path.exists())
        .ok_or_else(|| "chromium is not installed".to_owned())
}

fn scripts() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser")
}

/// Runs a script with the browser and `arguments`, and gives what it found; nothing where there is no browser.
pub fn run(script: &str, name: &str, arguments: &[&Path]) -> Option<Value> {
    let browser = match browser() {
        Ok(browser) => browser,
        Err(why) => {
            eprintln!("SKIPPED {script} {name}: {why}");
            return None;
        }
    };
    let out = Command::new("node").arg(scripts().join(script)).arg(browser).args(arguments).output().unwrap();
    assert!(out.status.success(), "{name}: {}", String::from_utf8_lossy(&out.stderr));
    Some(serde_json::from_slice(&out.stdout).unwrap())
}
