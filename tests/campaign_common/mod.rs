//! Campaigns for tests, by one letter per cell. Tests within the library use it too.
#![allow(dead_code, reason = "each test file uses its own part")]

use evenbeat::campaign::model::{
    Against, Aspect, AspectRow, Barcode, Campaign, Cell, Change, Clip, Device, Run, RunResult, Spread,
    Standing, State, Way, FORMAT, FORMAT_VERSION,
};

/// A row is a clip, a letter of it a device: `r`ight, `w`rong, `c`annot be told, `x` not whole, `n`ot tested. What is
/// wrong is the motion.
pub fn campaign(rows: &[&str]) -> Campaign {
    let devices = rows.first().map_or(0, |row| row.len());
    let clips = rows.len();
    let cells = (0..devices)
        .flat_map(|device| (0..clips).map(move |clip| (device, clip)))
        .enumerate()
        .map(|(unit, (device, clip))| cell(unit, (device, clip), standing(rows[clip].as_bytes()[device])))
        .collect();
    Campaign {
        format: FORMAT.to_owned(),
        format_version: FORMAT_VERSION,
        title: "Spring round".to_owned(),
        tool_version: "0".to_owned(),
        clips: (1..=clips).map(clip_row).collect(),
        devices: (1..=devices).map(device_row).collect(),
        cells,
        against: None,
    }
}

fn standing(letter: u8) -> Standing {
    match letter {
        b'r' => Standing::Right,
        b'w' => Standing::Wrong,
        b'c' => Standing::CannotBeTold,
        b'x' => Standing::NotWhole,
        _ => Standing::NotTested,
    }
}

fn clip_row(number: usize) -> Clip {
    Clip {
        id: format!("clip-{number}"),
        name: format!("clip {number}"),
        file: Some(format!("clip-{number}.mp4")),
        blake3: Some("ab".repeat(32)),
        rate: Some("59.94".to_owned()),
        scan: Some("progressive".to_owned()),
        requirements: vec!["drops=0".to_owned()],
    }
}

fn device_row(number: usize) -> Device {
    Device {
        id: format!("device-{number}"),
        name: format!("device {number}"),
        firmware: Some(format!("{number}.0")),
        settings: None,
        recorder: Some("lossless, 59.94".to_owned()),
    }
}

fn aspects(standing: Standing) -> Vec<AspectRow> {
    let row = |aspect| {
        let is_motion = aspect == Aspect::Motion;
        let text = match (aspect, standing) {
            (Aspect::Motion, Standing::Wrong) => "Half of the motion is missing.",
            (Aspect::Motion, _) => "Every frame shows a new picture.",
            _ => "There is no clip to hold it against.",
        };
        AspectRow {
            aspect,
            standing: match aspect {
                Aspect::Motion => standing,
                Aspect::Order | Aspect::Mixing => Standing::Right,
                Aspect::Fields | Aspect::Timing => Standing::CannotBeTold,
                Aspect::Levels | Aspect::Geometry => Standing::NotTested,
            },
            number: is_motion.then(|| number(standing).to_owned()),
            limit: is_motion.then(|| "59.94 new pictures/s".to_owned()),
            text: text.to_owned(),
        }
    };
    Aspect::ALL.into_iter().map(row).collect()
}

fn number(standing: Standing) -> &'static str {
    if standing == Standing::Wrong {
        "29.97 new pictures/s"
    } else {
        "59.94 new pictures/s"
    }
}

fn cell(unit: usize, (device, clip): (usize, usize), standing: Standing) -> Cell {
    let tested = standing != Standing::NotTested;
    let audited = u32::from(tested && standing != Standing::NotWhole);
    Cell {
        device: format!("device-{}", device + 1),
        clip: format!("clip-{}", clip + 1),
        standing,
        shown_run: tested.then_some(0),
        aspects: if audited > 0 { aspects(standing) } else { Vec::new() },
        runs: if tested { vec![run(unit, (device, clip), standing)] } else { Vec::new() },
        wrong_runs: u32::from(standing == Standing::Wrong),
        audited_runs: audited,
        spread: Vec::new(),
        change: None,
    }
}

fn run(unit: usize, (device, clip): (usize, usize), standing: Standing) -> Run {
    let failed = standing == Standing::NotWhole;
    Run {
        unit: unit as u32 + 1,
        run: 1,
        recording: format!("clip-{}.mkv", clip + 1),
        state: if failed { State::Failed } else { State::Done },
        error: failed.then(|| "cannot be read: it ends within its first frame".to_owned()),
        hint: failed.then(|| "record it again".to_owned()),
        result: (!failed).then(|| result((device, clip), standing)),
    }
}

fn result((device, clip): (usize, usize), standing: Standing) -> RunResult {
    let wrong = standing == Standing::Wrong;
    RunResult {
        standing,
        folder: format!("cells/device-{}/clip-{}", device + 1, clip + 1),
        headline: match standing {
            Standing::Wrong => "Half of the motion is missing: every picture is shown twice.",
            Standing::CannotBeTold => "Nothing moves: what the device does cannot be told.",
            _ => "Every frame shows a new picture.",
        }
        .to_owned(),
        number: (standing != Standing::CannotBeTold).then(|| number(standing).to_owned()),
        aspects: aspects(standing),
        events: Vec::new(),
        barcode: Barcode {
            first_frame: 0,
            frames: match standing {
                Standing::Wrong => "nr".repeat(30),
                Standing::CannotBeTold => "s".repeat(60),
                _ => "n".repeat(60),
            },
        },
        requirements: Vec::new(),
        measures: Vec::new(),
        frames: 600,
        duration_s: 10.01,
        complete: !wrong,
        recording_blake3: "cd".repeat(32),
        frames_blake3: "ef".repeat(32),
    }
}

/// Invented devices of [`varied`].
const DEVICES: [&str; 10] = [
    "Lantern box",
    "Brass kettle",
    "Paper boat",
    "Wool mitten",
    "Cork float",
    "Glass buoy",
    "Tin whistle",
    "Clay pipe",
    "Straw hat",
    "Copper bell",
];
/// Invented clips of [`varied`].
const CLIPS: [&str; 10] = [
    "Harbour, slow pan",
    "Harbour, fast pan",
    "Night tram",
    "Rowers",
    "Weather vane",
    "Bakery window",
    "Market steps",
    "Credits",
    "Ferry deck",
    "Kite field",
];

/// Thirty clips on ten devices, each with a habit of its own; some recorded several times, some not at all, some worse
/// than before.
pub fn varied() -> Campaign {
    let rows: Vec<String> =
        (0..30).map(|clip| (0..DEVICES.len()).map(|device| habit(device, clip)).collect()).collect();
    let mut campaign = campaign(&rows.iter().map(String::as_str).collect::<Vec<_>>());
    for (number, device) in campaign.devices.iter_mut().enumerate() {
        DEVICES[number].clone_into(&mut device.name);
        device.firmware = Some(format!("{}.{}.1", 1 + number % 4, number));
        device.settings = (number % 3 == 0).then(|| "film mode off".to_owned());
    }
    for (number, clip) in campaign.clips.iter_mut().enumerate() {
        clip.name = format!("{} {}", CLIPS[number % 10], ["at 59.94", "at 50", "film"][number / 10]);
    }
    for (place, cell) in campaign.cells.iter_mut().enumerate() {
        vary(place, cell);
    }
    let count = |way| {
        campaign.cells.iter().filter(|cell| cell.change.as_ref().is_some_and(|one| one.way == way)).count()
    };
    campaign.against = Some(Against {
        title: "Winter round".to_owned(),
        tool_version: "0".to_owned(),
        mended: count(Way::Mended) as u32,
        worse: count(Way::Worse) as u32,
        unchanged: count(Way::Unchanged) as u32,
        not_comparable: count(Way::NotComparable) as u32,
    });
    campaign
}

/// What a device makes of a clip.
fn habit(device: usize, clip: usize) -> char {
    match (device, clip) {
        (_, 2) if device != 8 => 'w',
        (0, _) => 'r',
        (1, _) => 'w',
        (2, clip) if clip % 3 == 0 => 'w',
        (3, clip) if clip >= 20 => 'w',
        (4, clip) if clip % 7 == 3 => 'c',
        (5, clip) if clip % 11 == 5 => 'x',
        (8, clip) if clip < 10 => 'n',
        (9, clip) if clip % 2 == 0 => 'w',
        _ => 'r',
    }
}

fn vary(place: usize, cell: &mut Cell) {
    let way = match (place % 13, cell.standing) {
        (_, Standing::NotTested | Standing::NotWhole) => Way::NotComparable,
        (3, Standing::Wrong) => Way::Worse,
        (5, Standing::Right) => Way::Mended,
        _ => Way::Unchanged,
    };
    let text = match way {
        Way::Worse => "59.94 new pictures/s before, 29.97 now.",
        Way::Mended => "29.97 new pictures/s before, 59.94 now.",
        Way::Unchanged => "No difference beyond what both are uncertain by.",
        Way::NotComparable => "One of the two was not audited.",
    };
    cell.change = Some(Change { way, earlier: cell.standing, earlier_firmware: None, text: text.to_owned() });
    if place % 17 == 4 && cell.audited_runs == 1 {
        let first = cell.runs[0].clone();
        cell.runs.extend((2..=5).map(|run| Run { run, ..first.clone() }));
        (cell.audited_runs, cell.wrong_runs) = (5, if cell.standing == Standing::Wrong { 2 } else { 0 });
        cell.spread =
            vec![Spread { key: "motion_rate_hz".to_owned(), smallest: 29.97, largest: 59.94, runs: 5 }];
    }
    let Some(result) = cell.runs.first_mut().and_then(|run| run.result.as_mut()) else { return };
    if result.standing == Standing::Wrong {
        let (frames, number, headline) = match place / 30 {
            2 => (
                format!("{}{}{}", "n".repeat(25), "r".repeat(12), "n".repeat(23)),
                "33 pictures lost",
                "Stalls 3 times for 200 ms each; 33 pictures are lost.",
            ),
            3 => ("nmmnmmmn".repeat(7), "41 % mixed", "4 of 10 pictures are mixed with the one before."),
            9 => ("nnrnnnonn".repeat(6), "6 out of order", "Pictures come out of their order 6 times."),
            _ => return,
        };
        result.barcode.frames = frames;
        result.number = Some(number.to_owned());
        headline.clone_into(&mut result.headline);
    }
}

/// A name that is more than a name.
pub const HOSTILE: &str = "</script><img src=x onerror=alert(1)>\u{202e}&\"'../..//x?#\n";

/// The campaign with every text from outside hostile.
pub fn hostile() -> Campaign {
    let mut campaign = campaign(&["rw", "wc", "xn"]);
    campaign.title = HOSTILE.to_owned();
    for device in &mut campaign.devices {
        device.id = format!("{HOSTILE}{}", device.id);
        device.name = HOSTILE.to_owned();
        (device.firmware, device.settings) = (Some(HOSTILE.to_owned()), Some(HOSTILE.to_owned()));
    }
    for clip in &mut campaign.clips {
        clip.id = format!("{HOSTILE}{}", clip.id);
        clip.name = HOSTILE.to_owned();
        clip.requirements = vec![HOSTILE.to_owned()];
        clip.scan = Some(HOSTILE.to_owned());
    }
    for cell in &mut campaign.cells {
        let change = Change {
            way: Way::Worse,
            earlier: Standing::Right,
            earlier_firmware: Some(HOSTILE.to_owned()),
            text: HOSTILE.to_owned(),
        };
        cell.change = Some(change);
        for row in &mut cell.aspects {
            (row.number, row.limit, row.text) =
                (Some(HOSTILE.to_owned()), Some(HOSTILE.to_owned()), HOSTILE.to_owned());
        }
        for run in &mut cell.runs {
            run.recording = HOSTILE.to_owned();
            run.error = run.error.as_ref().map(|_| HOSTILE.to_owned());
            if let Some(result) = &mut run.result {
                (result.headline, result.number) = (HOSTILE.to_owned(), Some(HOSTILE.to_owned()));
            }
        }
    }
    campaign
}
