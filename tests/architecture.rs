//! Imports follow the data flow, and pure stages stay pure.

use std::fs;
use std::path::{Path, PathBuf};

/// Leaves may use each other; every stage may use the leaves.
const LEAVES: &[&str] = &["units", "words", "frame", "note", "error", "settings", "cancel", "clip_code"];

/// Each stage with the stages it may import.
const MAY_USE: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("words", &["units"]),
    ("frame", &["units"]),
    ("note", &[]),
    ("error", &[]),
    ("cancel", &[]),
    ("clip_code", &["units"]),
    ("settings", &["frame", "units"]),
    ("capture", &["fingerprint"]),
    ("fingerprint", &[]),
    ("classify", &["fingerprint"]),
    ("alignment", &["classify", "interlace", "fingerprint"]),
    ("signatures", &["alignment"]),
    ("cadence", &["classify", "fingerprint"]),
    ("interlace", &["classify", "cadence", "fingerprint"]),
    ("verdict", &["classify", "cadence", "interlace", "fingerprint", "alignment"]),
    ("compare", &["audit", "classify", "alignment", "verdict"]),
    // Pixels end at `fingerprint` but for `pictures`: a second reading for the eye, after everything is decided.
    ("pictures", &["audit", "capture", "fingerprint", "pipeline", "verdict"]),
    (
        "report",
        &[
            "audit",
            "verdict",
            "cadence",
            "classify",
            "interlace",
            "capture",
            "fingerprint",
            "pictures",
            "alignment",
            "reference",
            "pipeline",
            "signatures",
            "compare",
            "output",
            "audit_store",
            "campaign",
            "escape",
        ],
    ),
    (
        "audit_store",
        &[
            "audit",
            "verdict",
            "cadence",
            "classify",
            "interlace",
            "capture",
            "fingerprint",
            "alignment",
            "reference",
            "signatures",
            "output",
            "escape",
        ],
    ),
    (
        "campaign",
        &[
            "audit",
            "audit_store",
            "capture",
            "classify",
            "compare",
            "escape",
            "fingerprint_parts",
            "output",
            "pipeline",
            "verdict",
        ],
    ),
    ("fingerprint_parts", &["audit", "capture", "fingerprint", "output", "pipeline"]),
    ("escape", &[]),
    ("fuzz", &["audit_store", "capture"]),
    ("output", &[]),
    ("demo", &["capture"]),
    ("testclip", &["demo", "fingerprint", "pipeline"]),
];

/// Stages without files, clocks, threads or error types.
const PURE: &[&str] = &["fingerprint", "classify", "alignment", "interlace", "cadence", "verdict", "compare"];

/// What a pure stage must not name.
const IMPURE: &[&str] = &[
    "std::fs",
    "std::io",
    "std::thread",
    "std::time",
    "std::net",
    "std::process",
    "chrono",
    "crate::error",
    "crossbeam",
];

fn sources(stage: &str) -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let file = root.join(format!("{stage}.rs"));
    if file.exists() {
        return vec![file];
    }
    let mut found = Vec::new();
    let mut folders = vec![root.join(stage)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|kind| kind == "rs") && !path.ends_with("tests.rs") {
                found.push(path);
            }
        }
    }
    assert!(!found.is_empty(), "no sources for {stage}");
    found
}

/// Code of a file without its tests and comments.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    // Test modules come last in a file, or are files of their own.
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
    code.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

/// First path segments after `crate::` in the code.
fn crate_uses(code: &str) -> Vec<String> {
    code.match_indices("crate::")
        .map(|(at, word)| {
            code[at + word.len()..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
        })
        .collect()
}

#[test]
fn imports_follow_the_arrows() {
    let mut seen = 0;
    for &(stage, allowed) in MAY_USE {
        for path in sources(stage) {
            for used in crate_uses(&code(&path)) {
                seen += 1;
                let ok = used == stage
                    || allowed.contains(&used.as_str())
                    || !LEAVES.contains(&stage) && LEAVES.contains(&used.as_str());
                assert!(ok, "{} uses crate::{used}, which {stage} may not", path.display());
            }
        }
    }
    assert!(seen > 20, "the scan found only {seen} imports: it no longer reads the code");
}

#[test]
fn pure_stages_name_no_files_clocks_threads_or_errors() {
    for &stage in PURE {
        for path in sources(stage) {
            let code = code(&path);
            for word in IMPURE {
                assert!(!code.contains(word), "{} names {word}", path.display());
            }
        }
    }
}

/// Pictures go to the report only: nothing that decides knows of them.
#[test]
fn no_stage_that_decides_uses_pictures() {
    let deciding = MAY_USE.iter().filter(|(stage, _)| !["pictures", "report"].contains(stage));
    for (stage, allowed) in deciding {
        assert!(!allowed.contains(&"pictures"), "{stage}");
    }
    for path in sources("audit").into_iter().chain(sources("pipeline")) {
        assert!(!code(&path).contains("pictures::"), "{} uses pictures", path.display());
    }
    for path in sources("pictures") {
        let code = code(&path);
        for word in ["std::fs", "std::thread", "std::time", "std::process", "chrono"] {
            assert!(!code.contains(word), "{} names {word}", path.display());
        }
    }
}

#[test]
fn only_report_types_and_the_log_header_derive_serialize() {
    for stage in [
        "units",
        "frame",
        "note",
        "error",
        "settings",
        "fingerprint",
        "classify",
        "interlace",
        "cadence",
        "verdict",
    ] {
        for path in sources(stage) {
            assert!(!code(&path).contains("Serialize"), "{} derives Serialize", path.display());
        }
    }
}
