//! From a device's list to a file: frames are drawn, deinterlaced where the device does, scaled and encoded.

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{ChildStdin, Command, Stdio};

use evenbeat::units::Rate;

use super::content::Content;
use super::devices::{Deinterlacer, Device, FrameRate, Scan};
use super::picture::{Parity, Picture, Size};
use super::shown::Shown;

/// What happens between device and file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recording {
    pub codec: Codec,
    /// Height of the file over height of the device's picture, scaled as whole frames.
    pub scaled: Option<(usize, usize)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Codec {
    Lossless,
    /// H.264 at a constant rate factor; interlaced where the stream is flagged interlaced.
    X264 {
        crf: u8,
    },
}

impl Recording {
    pub const LOSSLESS: Self = Self { codec: Codec::Lossless, scaled: None };
    pub const LOSSY: Self = Self { codec: Codec::X264 { crf: 23 }, scaled: None };

    pub fn scaled(self, up: usize, down: usize) -> Self {
        Self { scaled: Some((up, down)), ..self }
    }

    pub fn name(self) -> String {
        let codec = match self.codec {
            Codec::Lossless => "lossless".to_owned(),
            Codec::X264 { crf } => format!("x264-crf{crf}"),
        };
        self.scaled.map_or(codec.clone(), |(up, down)| format!("{codec}-scaled-{up}-{down}"))
    }

    /// Size of the file's frames.
    pub fn size(self, size: Size) -> Size {
        let (up, down) = self.scaled.unwrap_or((1, 1));
        // Even, as the pixel formats need it.
        Size { width: size.width * up / down / 2 * 2, height: size.height * up / down / 2 * 2 }
    }

    fn options(self, flagged: Scan) -> String {
        match (self.codec, flagged) {
            (Codec::Lossless, _) => "-c:v ffv1 -level 3 -slices 4 -threads 1".to_owned(),
            (Codec::X264 { crf }, Scan::Progressive) => {
                format!("-c:v libx264 -preset medium -crf {crf} -bf 3 -threads 2")
            }
            (Codec::X264 { crf }, Scan::Interlaced(_) | Scan::TurnsAt(_)) => {
                let order = if flagged == Scan::Interlaced(Parity::Bottom) { "bff=1" } else { "tff=1" };
                format!("-c:v libx264 -preset medium -crf {crf} -bf 3 -threads 2 -flags +ildct+ilme -x264-params {order}")
            }
        }
    }

    fn filters(self, size: Size, flagged: Scan) -> String {
        let field = match flagged {
            Scan::Progressive => "setfield=prog",
            Scan::Interlaced(Parity::Top) | Scan::TurnsAt(_) => "setfield=tff",
            Scan::Interlaced(Parity::Bottom) => "setfield=bff",
        };
        match self.scaled {
            Some(_) => {
                format!("{field},scale={}:flags=bicubic", self.size(size).to_string().replace('x', ":"))
            }
            None => field.to_owned(),
        }
    }
}

/// Frames per second of what a device delivers.
pub fn rate(content: &Content, device: &Device) -> Rate {
    let (num, den) = device.field_rate().unwrap_or((content.rate.num(), content.rate.den()));
    let of = |up: u64, down: u64| Rate::new(num * up, den * down).expect("a rate");
    match device.frame_rate {
        FrameRate::Fields => of(1, 1),
        FrameRate::Frames => of(1, 2),
        FrameRate::Film => of(2, 5),
    }
}

/// Where the file of a cell lies in `folder`. The name is the digest of all that decides its bytes.
pub fn place(content: &Content, device: &Device, recording: Recording, folder: &Path) -> PathBuf {
    let filters = recording.filters(content.size, device.flagged);
    let options = recording.options(device.flagged);
    let mut key = blake3::Hasher::new();
    key.update(format!("{} {:?} {filters} {options} ", content.size, device.deinterlacer).as_bytes());
    key.update(format!("{:?} {:?}", rate(content, device), device.shown).as_bytes());
    for &shown in &device.shown {
        shown.picture(content).write_to(&mut key).expect("a digest takes all");
    }
    folder.join(format!("{}.mkv", &key.finalize().to_hex()[..24]))
}

/// The file of a cell in `folder`, made on first use.
pub fn file(content: &Content, device: &Device, recording: Recording, folder: &Path) -> PathBuf {
    let path = place(content, device, recording, folder);
    if path.exists() {
        return path;
    }
    let filters = recording.filters(content.size, device.flagged);
    let options = recording.options(device.flagged);
    fs::create_dir_all(folder).expect("the folder can be made");
    let unfinished = path.with_extension(format!("{}.part.mkv", std::process::id()));
    let full_chroma = device.shown.iter().any(|shown| shown.has_full_chroma());
    let pixel_format = if full_chroma { "yuv444p" } else { "yuv420p" };
    let rate = rate(content, device);
    let mut encoder = Command::new("ffmpeg");
    encoder
        .args(["-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", pixel_format, "-s"])
        .arg(content.size.to_string())
        .args(["-r", &format!("{}/{}", rate.num(), rate.den()), "-i", "-", "-vf", &filters])
        .args(options.split(' '))
        .args(["-fps_mode", "passthrough"])
        .arg(&unfinished)
        .stdin(Stdio::piped())
        .stdout(Stdio::null());
    let mut encoder = encoder.spawn().expect("the encoder starts");
    let mut input = encoder.stdin.take().expect("piped");
    match device.deinterlacer {
        None => {
            let mut frames = device.shown.iter().map(|shown| shown.picture(content));
            frames.try_for_each(|frame| frame.write_to(&mut input)).expect("the encoder takes frames");
        }
        Some(deinterlacer) => deinterlaced(content, device, deinterlacer, &mut input),
    }
    drop(input);
    assert!(encoder.wait().expect("the encoder ends").success(), "encoding {} failed", path.display());
    fs::rename(&unfinished, &path).expect("the finished file can be renamed");
    path
}

/// Sends the interlaced signal through the deinterlacer and its pictures on: a picture for each entry of the
/// device's list that differs from the one before.
fn deinterlaced(content: &Content, device: &Device, deinterlacer: Deinterlacer, out: &mut ChildStdin) {
    let last = device.shown.iter().map(|shown| shown.last_moment()).max().expect("a frame");
    let signal = (0..=last / 2).map(|frame| match deinterlacer.order {
        Parity::Top => Shown::Woven { top: frame * 2, bottom: frame * 2 + 1 },
        Parity::Bottom => Shown::Woven { top: frame * 2 + 1, bottom: frame * 2 },
    });
    let mut filter = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-r", "30", "-s"])
        .arg(content.size.to_string())
        .args(["-i", "-", "-vf", deinterlacer.filter, "-fps_mode", "passthrough", "-threads", "1"])
        .args(["-f", "rawvideo", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the deinterlacer starts");
    let mut input = filter.stdin.take().expect("piped");
    let mut output = filter.stdout.take().expect("piped");
    std::thread::scope(|scope| {
        scope.spawn(move || {
            for frame in signal {
                frame.picture(content).write_to(&mut input).expect("the deinterlacer takes frames");
            }
        });
        let mut before = None;
        let mut bytes = vec![0; content.size.quartered_bytes()];
        for &shown in &device.shown {
            if before.replace(shown) != Some(shown) {
                output.read_exact(&mut bytes).expect("a picture for every entry");
            }
            out.write_all(&bytes).expect("the encoder takes frames");
        }
        let mut rest = Vec::new();
        output.read_to_end(&mut rest).expect("the deinterlacer ends its output");
        // A picture too many would mean that the list and the pictures are out of step.
        assert!(rest.is_empty(), "{}: {} bytes left over", device.name, rest.len());
    });
    assert!(filter.wait().expect("the deinterlacer ends").success(), "{}", deinterlacer.filter);
}

/// Share of the samples of luma and of colour that the fault of a frame changes visibly.
pub fn visible(content: &Content, shown: Shown) -> (f64, f64) {
    let clean: Picture = match shown {
        Shown::Whole(_) | Shown::Rebuilt(_) | Shown::WholeRaised(_) => return (0.0, 0.0),
        Shown::ChromaRaised { luma, .. } => Shown::WholeRaised(luma).picture(content),
        _ => Shown::Whole(shown.moments().0).picture(content),
    };
    let faulty = shown.picture(content);
    let share = |plane: usize| {
        super::picture::share_that_differs(&clean.planes[plane], &faulty.planes[plane], VISIBLE_STEP)
    };
    (share(0), share(1).max(share(2)))
}

/// Smallest difference that counts as visible, code values: choice, about four times what the lossy recording
/// changes by itself.
const VISIBLE_STEP: u8 = 8;
