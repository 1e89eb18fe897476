//! A plan as text: TOML into a draft, with everything that is wrong in it at once.

use std::cell::RefCell;
use std::path::{Path, PathBuf};

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveTime};
use toml::de::{DeTable, DeValue};
use toml::Spanned;

use super::draft::{Draft, DraftClip, DraftDevice, DraftRecording, Reading};
use crate::error::{excerpt, Error};
use crate::frame::{Rect, Scan};
use crate::units::Rate;
use crate::verdict::gate::Requirement;

const TOP_KEYS: &[&str] = &["title", "date", "part_gb", "defaults", "clip", "device", "recording"];
const READING_KEYS: &[&str] = &["rate", "timestamps", "stream", "region", "exclude", "scan", "require"];
const CLIP_KEYS: &[&str] = &["id", "name", "file", "rate", "scan", "require"];
const DEVICE_KEYS: &[&str] = &["id", "name", "firmware", "settings", "recorder"];
const RECORDING_KEYS: &[&str] =
    &["device", "clip", "file", "rate", "timestamps", "stream", "region", "exclude", "scan", "require"];
const BYTES_PER_GB: f64 = 1e9;
/// Way out of most errors.
const SEE_NEW: &str = "`evenbeat campaign --new FOLDER` writes a plan with every key explained";

/// Reads a plan. `place` is what errors call it; paths in it count from `folder`.
pub(super) fn read(text: &str, place: &str, folder: &Path) -> (Draft, Vec<Error>) {
    let sheet = Sheet { text, place, folder, errors: RefCell::default() };
    let (table, wrong) = DeTable::parse_recoverable(text);
    for error in wrong {
        let at = error.span().map_or(0, |span| span.start);
        sheet.refuse(at, "not understood", &short(error.message()), "see toml.io for how TOML is written");
    }
    let draft = sheet.draft(table.get_ref());
    (draft, sheet.errors.into_inner())
}

/// The parser's own words in one line.
fn short(message: &str) -> String {
    message.lines().collect::<Vec<_>>().join(" ")
}

/// A text that is read, and what was found wrong so far.
struct Sheet<'a> {
    text: &'a str,
    place: &'a str,
    folder: &'a Path,
    errors: RefCell<Vec<Error>>,
}

type Value<'a> = Spanned<DeValue<'a>>;

impl Sheet<'_> {
    fn line(&self, at: usize) -> String {
        let before = self.text.as_bytes().get(..at).unwrap_or_default();
        format!("{} line {}", self.place, 1 + before.iter().filter(|&&byte| byte == b'\n').count())
    }

    fn refuse(&self, at: usize, what: &str, cause: &str, hint: &str) {
        self.errors.borrow_mut().push(Error::new(self.line(at), what, cause, hint));
    }

    fn draft(&self, top: &DeTable<'_>) -> Draft {
        self.refuse_unknown(top, "the plan", TOP_KEYS);
        Draft {
            title: self.text_of(top, "title"),
            date: self.date(top),
            part_bytes: top.get("part_gb").and_then(|value| self.part_bytes(value)),
            defaults: top
                .get("defaults")
                .and_then(|value| self.table(value, "defaults"))
                .map(|table| {
                    self.refuse_unknown(table, "[defaults]", READING_KEYS);
                    self.reading(table)
                })
                .unwrap_or_default(),
            clips: self.rows(top, "clip", |table, at| self.clip(table, at)),
            devices: self.rows(top, "device", |table, at| self.device(table, at)),
            recordings: self.rows(top, "recording", |table, at| self.recording(table, at)),
        }
    }

    fn clip(&self, table: &DeTable<'_>, at: usize) -> DraftClip {
        self.refuse_unknown(table, "[[clip]]", CLIP_KEYS);
        DraftClip {
            at: self.line(at),
            id: self.wanted(table, "[[clip]]", "id", at),
            name: self.text_of(table, "name"),
            file: self.path(table, "file"),
            rate: self.rate(table),
            scan: self.scan(table),
            require: self.requirements(table),
        }
    }

    fn device(&self, table: &DeTable<'_>, at: usize) -> DraftDevice {
        self.refuse_unknown(table, "[[device]]", DEVICE_KEYS);
        DraftDevice {
            at: self.line(at),
            id: self.wanted(table, "[[device]]", "id", at),
            name: self.text_of(table, "name"),
            firmware: self.text_of(table, "firmware"),
            settings: self.text_of(table, "settings"),
            recorder: self.text_of(table, "recorder"),
        }
    }

    fn recording(&self, table: &DeTable<'_>, at: usize) -> DraftRecording {
        self.refuse_unknown(table, "[[recording]]", RECORDING_KEYS);
        let file = self.wanted(table, "[[recording]]", "file", at);
        DraftRecording {
            at: self.line(at),
            device: self.wanted(table, "[[recording]]", "device", at),
            clip: self.wanted(table, "[[recording]]", "clip", at),
            file: (!file.is_empty()).then(|| self.folder.join(file)),
            reading: self.reading(table),
        }
    }

    fn reading(&self, table: &DeTable<'_>) -> Reading {
        Reading {
            rate: self.rate(table),
            timestamps: self.path(table, "timestamps"),
            stream: table.get("stream").and_then(|value| self.stream(value)),
            region: table.get("region").and_then(|value| self.rectangle(value, "region")),
            exclude: self
                .list(table, "exclude")
                .iter()
                .filter_map(|value| self.rectangle(value, "exclude"))
                .collect(),
            scan: self.scan(table),
            require: self.requirements(table),
        }
    }

    fn refuse_unknown(&self, table: &DeTable<'_>, owner: &str, known: &[&str]) {
        for key in table.keys().filter(|key| !known.contains(&key.get_ref().as_ref())) {
            let cause = format!("{owner} has no such key; known are {}", known.join(", "));
            self.refuse(
                key.span().start,
                &format!("unknown key {}", excerpt(key.get_ref())),
                &cause,
                SEE_NEW,
            );
        }
    }

    fn wrong_kind(&self, value: &Value<'_>, key: &str, wanted: &str) {
        let cause = format!("found is {}, wanted is {wanted}", kind(value.get_ref()));
        self.refuse(value.span().start, &format!("{key} cannot be used"), &cause, SEE_NEW);
    }

    fn table<'a, 'b>(&self, value: &'a Value<'b>, key: &str) -> Option<&'a DeTable<'b>> {
        if let DeValue::Table(table) = value.get_ref() {
            return Some(table);
        }
        self.wrong_kind(value, key, "a table");
        None
    }

    fn rows<T>(&self, top: &DeTable<'_>, key: &str, read: impl Fn(&DeTable<'_>, usize) -> T) -> Vec<T> {
        let Some(value) = top.get(key) else { return Vec::new() };
        let DeValue::Array(rows) = value.get_ref() else {
            self.wrong_kind(value, key, &format!("a table under [[{key}]] for each"));
            return Vec::new();
        };
        rows.iter().filter_map(|row| Some(read(self.table(row, key)?, row.span().start))).collect()
    }

    fn list<'a, 'b>(&self, table: &'a DeTable<'b>, key: &str) -> Vec<&'a Value<'b>> {
        match table.get(key) {
            None => Vec::new(),
            Some(value) => match value.get_ref() {
                DeValue::Array(values) => values.iter().collect(),
                _ => {
                    self.wrong_kind(value, key, "a list of texts in [ ]");
                    Vec::new()
                }
            },
        }
    }

    fn text_at(&self, value: &Value<'_>, key: &str) -> Option<String> {
        if let DeValue::String(text) = value.get_ref() {
            return Some(text.clone().into_owned());
        }
        self.wrong_kind(value, key, "a text in quotes");
        None
    }

    fn text_of(&self, table: &DeTable<'_>, key: &str) -> Option<String> {
        table.get(key).and_then(|value| self.text_at(value, key))
    }

    /// A text that must be there; empty where it is not, which is refused.
    fn wanted(&self, table: &DeTable<'_>, owner: &str, key: &str, at: usize) -> String {
        let found = self.text_of(table, key);
        if table.get(key).is_none() || found.as_ref().is_some_and(String::is_empty) {
            self.refuse(at, &format!("{owner} has no {key}"), "it must have one", SEE_NEW);
        }
        found.unwrap_or_default()
    }

    fn path(&self, table: &DeTable<'_>, key: &str) -> Option<PathBuf> {
        self.text_of(table, key).map(|path| self.folder.join(path))
    }

    /// A number, or a text, as it is written.
    fn written(&self, value: &Value<'_>, key: &str) -> Option<String> {
        match value.get_ref() {
            DeValue::Integer(_) | DeValue::Float(_) => self.text.get(value.span()).map(str::to_owned),
            _ => self.text_at(value, key),
        }
    }

    fn rate(&self, table: &DeTable<'_>) -> Option<Rate> {
        let value = table.get("rate")?;
        let text = self.written(value, "rate")?;
        let rate = Rate::parse(&text);
        if rate.is_none() {
            let cause = format!(
                "{} is no number of frames per second such as 59.94 or \"60000/1001\", each part from 1 to {}",
                excerpt(&text),
                Rate::PART_MAX
            );
            self.refuse(value.span().start, "rate cannot be used", &cause, "give the rate that it has");
        }
        rate
    }

    fn scan(&self, table: &DeTable<'_>) -> Option<Scan> {
        let value = table.get("scan")?;
        let text = self.text_at(value, "scan")?;
        let scan = Scan::from_name(&text)
            .filter(|scan| matches!(scan, Scan::Progressive | Scan::TopFieldFirst | Scan::BottomFieldFirst));
        if scan.is_none() {
            let cause = format!("{} is none of progressive, tff and bff", excerpt(&text));
            self.refuse(
                value.span().start,
                "scan cannot be used",
                &cause,
                "give one of them, or leave it out",
            );
        }
        scan
    }

    fn stream(&self, value: &Value<'_>) -> Option<u32> {
        let DeValue::Integer(_) = value.get_ref() else {
            self.wrong_kind(value, "stream", "a whole number from 0");
            return None;
        };
        let stream = self.text.get(value.span()).and_then(|text| text.parse().ok());
        if stream.is_none() {
            let cause = format!("allowed are whole numbers from 0 to {}", u32::MAX);
            self.refuse(value.span().start, "stream cannot be used", &cause, "count video streams from 0");
        }
        stream
    }

    fn part_bytes(&self, value: &Value<'_>) -> Option<u64> {
        let text = self.written(value, "part_gb")?;
        let gigabytes = text.parse::<f64>().ok().filter(|size| size.is_finite() && *size > 0.0);
        if gigabytes.is_none() {
            let cause = format!("{} is no number of gigabytes above 0", excerpt(&text));
            let hint = "leave it out, or give a large one where nothing shall be read in parts";
            self.refuse(value.span().start, "part_gb cannot be used", &cause, hint);
        }
        gigabytes.map(|size| (size * BYTES_PER_GB) as u64)
    }

    fn rectangle(&self, value: &Value<'_>, key: &str) -> Option<Rect> {
        let text = self.text_at(value, key)?;
        let rect = Rect::parse(&text);
        if rect.is_none() {
            let cause = format!("{} is no X,Y,W,H in pixels, width and height at least 1", excerpt(&text));
            self.refuse(
                value.span().start,
                &format!("{key} cannot be used"),
                &cause,
                "write it as \"0,0,640,90\"",
            );
        }
        rect
    }

    fn requirements(&self, table: &DeTable<'_>) -> Vec<Requirement> {
        let read = |value: &&Value<'_>| {
            let text = self.text_at(value, "require")?;
            let refuse = |cause: String| {
                let what = format!("requirement {} cannot be used", excerpt(&text));
                self.refuse(value.span().start, &what, &cause, "`evenbeat audit --help` lists the keys");
            };
            Requirement::parse(&text).map_err(refuse).ok()
        };
        self.list(table, "require").iter().filter_map(read).collect()
    }

    fn date(&self, top: &DeTable<'_>) -> Option<DateTime<FixedOffset>> {
        let value = top.get("date")?;
        let text = match value.get_ref() {
            DeValue::Datetime(date) => date.to_string(),
            _ => self.text_at(value, "date")?,
        };
        let day = |text: &str| {
            let day = text.parse::<NaiveDate>().ok()?;
            Some(day.and_time(NaiveTime::MIN).and_utc().fixed_offset())
        };
        let date = DateTime::parse_from_rfc3339(&text).ok().or_else(|| day(&text));
        if date.is_none() {
            let cause = format!("{} is neither a day nor a time with its offset from UTC", excerpt(&text));
            self.refuse(value.span().start, "date cannot be used", &cause, "write it as 2026-03-09");
        }
        date
    }
}

/// The kind of a value in words.
fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
