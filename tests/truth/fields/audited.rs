//! What the audit says of a file: the binary is run and its written files are read, as a user would.

use std::env;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;

/// What the files of an audit say.
#[derive(Clone, Debug, Default)]
pub struct Audited {
    /// Written name of the outcome.
    pub outcome: Option<String>,
    pub outcome_text: String,
    /// First and last frame that the outcome names.
    pub outcome_frames: Option<(u64, u64)>,
    /// `progressive`, `tff`, `bff` …
    pub scan: String,
    pub holds: Option<Vec<u64>>,
    pub field_holds: Option<Vec<u64>>,
    pub finding_kinds: Vec<String>,
    pub frames: Vec<Row>,
    /// Empty where the capture is not taken for interlaced.
    pub fields: Vec<Row>,
    /// The whole of `audit.json`.
    pub document: Value,
}

/// A row of `frames.csv` or `fields.csv`.
#[derive(Clone, Debug, Default)]
pub struct Row {
    pub class: String,
    pub flags: Vec<String>,
    /// Only fields have one.
    pub parity: String,
    pub frame: u64,
    pub time_s: f64,
    pub digest: String,
}

impl Row {
    pub fn has(&self, flag: &str) -> bool {
        self.flags.iter().any(|found| found == flag)
    }
}

/// Audits a file with further arguments; the report goes into `scratch` and is removed.
pub fn audit(file: &Path, more: &[&str], scratch: &Path) -> Audited {
    let out = scratch.join(format!("{}-audit", file.file_stem().unwrap_or_default().to_string_lossy()));
    let built = || env!("CARGO_BIN_EXE_evenbeat").into();
    let run = Command::new(env::var_os("EVENBEAT_FIELDS_PROGRAM").unwrap_or_else(built))
        .args(["audit", "--quiet", "--force", "--pictures", "0", "--out"])
        .arg(&out)
        .args(more)
        .arg(file)
        .stdin(Stdio::null())
        .output()
        .expect("the audit starts");
    // 0 and 1 are audits, with and without findings.
    let code = run.status.code();
    assert!(
        matches!(code, Some(0 | 1)),
        "{}: {code:?}: {}",
        file.display(),
        String::from_utf8_lossy(&run.stderr)
    );
    let audited = read(&out);
    let _ = fs::remove_dir_all(&out);
    audited
}

/// Reads the files of an audit.
pub fn read(folder: &Path) -> Audited {
    let text = fs::read_to_string(folder.join("audit.json")).expect("an audit has audit.json");
    let document: Value = serde_json::from_str(&text).expect("audit.json is JSON");
    let word = |value: &Value| value.as_str().map(str::to_owned);
    let numbers =
        |value: &Value| value.as_array().map(|list| list.iter().filter_map(Value::as_u64).collect());
    let findings = document["findings"].as_array().cloned().unwrap_or_default();
    Audited {
        outcome: word(&document["outcome"]["code"]),
        outcome_frames: document["outcome"]["first_frame"]
            .as_u64()
            .zip(document["outcome"]["last_frame"].as_u64()),
        outcome_text: word(&document["outcome"]["text"]).unwrap_or_default(),
        scan: word(&document["capture"]["scan"]).unwrap_or_default(),
        holds: numbers(&document["cadence"]["holds"]),
        field_holds: numbers(&document["cadence"]["field_holds"]),
        finding_kinds: findings.iter().filter_map(|finding| word(&finding["kind"])).collect(),
        frames: rows(&folder.join("frames.csv")),
        fields: rows(&folder.join("fields.csv")),
        document,
    }
}

/// Rows of a table, by the names of its columns; none where the file is not there.
fn rows(path: &Path) -> Vec<Row> {
    let Ok(text) = fs::read_to_string(path) else { return Vec::new() };
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().expect("a header").split(',').collect();
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let cell =
            |name: &str| names.iter().position(|known| *known == name).and_then(|at| cells.get(at).copied());
        Row {
            class: cell("class").expect("a class").to_owned(),
            flags: cell("flags")
                .expect("flags")
                .split(';')
                .filter(|f| !f.is_empty())
                .map(str::to_owned)
                .collect(),
            parity: cell("parity").unwrap_or_default().to_owned(),
            frame: cell("frame").expect("a frame").parse().expect("a number"),
            time_s: cell("time_s").expect("a time").parse().expect("a number"),
            digest: cell("digest").expect("a digest").to_owned(),
        }
    };
    lines.map(row).collect()
}
