//! Pictures of a clip by the external decoder, for every bench that plays real clips.

use std::path::Path;
use std::process::Command;

/// At most `pictures` pictures of a clip, scaled to (width, height): planar 4:2:0 of 8 bit, one after the other.
pub fn pictures(path: &Path, (width, height): (usize, usize), pictures: usize) -> Vec<u8> {
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-threads", "1", "-i"])
        .arg(path)
        .arg("-vf")
        .arg(format!("scale={width}:{height}:flags=area"))
        .args(["-frames:v", &pictures.to_string(), "-fps_mode", "passthrough"])
        .args(["-pix_fmt", "yuv420p", "-f", "rawvideo", "-"])
        .output()
        .expect("the decoder starts");
    assert!(output.status.success(), "{}: {}", path.display(), String::from_utf8_lossy(&output.stderr));
    output.stdout
}
