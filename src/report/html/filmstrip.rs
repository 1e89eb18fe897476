//! The pictures: rows of frames that are readable as they stand, and the stage on which the script steps
//! through them.

use std::fmt::Write;

use base64::engine::general_purpose::STANDARD;
use base64::Engine;

use super::events::call_text;
use super::table::open_section;
use crate::audit::Audit;
use crate::escape::markup;
use crate::pictures::{Detail, EncodedImage, Pictures, Reason, Stretch};
use crate::report::text::{clock_text, time_s};
use crate::words::frames;

pub(super) fn push(html: &mut String, audit: &Audit, pictures: &Pictures) {
    open_section(html, "pictures", "Frame by frame");
    if pictures.stretches.is_empty() {
        let why = if pictures.remark.is_empty() { "There are no pictures." } else { &pictures.remark };
        let _ = writeln!(html, "<p>{}</p>\n</section>", markup(why));
        return;
    }
    html.push_str(STAGE);
    for (place, stretch) in pictures.stretches.iter().enumerate() {
        push_stretch(html, audit, pictures, place, stretch);
    }
    let _ = writeln!(html, "<p class=\"hint\">{}</p>\n</section>", markup(&pictures.remark));
}

/// Shown by the script. Nothing plays by itself.
const STAGE: &str = "<div class=\"live\" id=\"stage\" hidden=\"hidden\" tabindex=\"0\" role=\"group\" \
aria-label=\"Frame stepper\" aria-describedby=\"stage-keys\">
<div class=\"bar\" role=\"group\" aria-label=\"Step through the frames\">
<label>Stretch <select id=\"stretch\"></select></label>
<button type=\"button\" data-step=\"back\" title=\"Arrow left\">One frame back</button>
<button type=\"button\" data-step=\"forward\" title=\"Arrow right\">One frame forward</button>
<button type=\"button\" data-step=\"hold\" aria-pressed=\"false\" title=\"Key H\">Hold this frame beside</button>
<button type=\"button\" data-step=\"difference\" aria-pressed=\"false\" title=\"Key D\">Show what changed</button>
<button type=\"button\" data-step=\"detail\" aria-pressed=\"false\" title=\"Key P\">Show a part pixel by pixel</button>
</div>
<div class=\"panes\">
<figure id=\"held\" hidden=\"hidden\"><div class=\"screen\"></div><figcaption></figcaption></figure>
<figure id=\"current\"><div class=\"screen\"></div><figcaption aria-live=\"polite\"></figcaption></figure>
</div>
<p id=\"stage-keys\" class=\"hint\">Arrow left and right: one frame. H: hold this frame beside the next ones. \
D: what changed since the frame before, or against the held one; white is no change at all, dark is change, \
made strong so that one step of brightness shows. P: a part at full size, where a finding is too fine for small \
pictures.</p>
</div>
";

fn push_stretch(html: &mut String, audit: &Audit, pictures: &Pictures, place: usize, stretch: &Stretch) {
    let title = match stretch.reason {
        Reason::Typical => "A typical stretch".to_owned(),
        Reason::Event(number) => {
            let event = audit.events.iter().find(|event| event.number == number);
            let name = event.map_or_else(String::new, |event| {
                format!(", {} at {}", event.kind.title(), clock_text(event.time_s))
            });
            format!("Event {number}{name}")
        }
    };
    let title = format!("{title}, {}", frames(stretch.frames.start, stretch.frames.end - 1));
    let _ = writeln!(
        html,
        "<div class=\"reel\">\n<h3 class=\"film-title\" id=\"film-{place}\">{0}</h3>\n<div class=\"scroll\" tabindex=\"0\" role=\"group\" \
         aria-labelledby=\"film-{place}\"><ol class=\"film\" data-title=\"{0}\">",
        markup(&title)
    );
    for frame in stretch.frames.clone() {
        push_frame(html, audit, pictures, (place, frame));
    }
    html.push_str("</ol></div>\n</div>\n");
}

/// One frame of the stretch at `place`. Where an earlier stretch has it too, a reference instead of a second
/// image.
fn push_frame(html: &mut String, audit: &Audit, pictures: &Pictures, (place, frame): (usize, u64)) {
    let Some((picture, index)) = pictures.pictures.get(&frame).zip(usize::try_from(frame).ok()) else {
        return;
    };
    let Some(known) = audit.frames.get(index) else { return };
    let call = markup(&call_text(audit, index));
    let class = known.class.name();
    if pictures.stretches[..place].iter().any(|earlier| earlier.frames.contains(&frame)) {
        let _ = writeln!(
            html,
            "<li class=\"{class}\" data-frame=\"{frame}\" data-call=\"{call}\"><a href=\"#picture-{frame}\">frame \
             {frame}, shown above</a></li>"
        );
        return;
    }
    let _ = write!(
        html,
        "<li class=\"{class}\" id=\"picture-{frame}\" data-frame=\"{frame}\" data-call=\"{call}\">"
    );
    let alt = format!("Picture of frame {frame}");
    if picture.is_same_as_before && pictures.pictures.contains_key(&(frame - 1)) {
        let _ = writeln!(
            html,
            "<p class=\"same\">the same as frame {} to the last bit</p><p><b>{frame}</b> <span class=\"tag \
             {class}\">{class}</span> {}</p></li>",
            frame - 1,
            clock_text(time_s(audit, frame))
        );
        return;
    }
    push_image(html, &picture.image, "picture", (picture.width_px, picture.height_px), &alt);
    if let Some(difference) = &picture.difference {
        let alt = if difference_is_white(known.change) {
            format!("No difference between frame {frame} and the one before")
        } else {
            format!("Difference between frame {frame} and the one before")
        };
        push_image(html, difference, "difference", (picture.width_px, picture.height_px), &alt);
    }
    if let Some(Detail { area, image }) = &picture.detail {
        let alt = format!(
            "Part of frame {frame} at full size, {} by {} pixels from column {}, row {}",
            area.width, area.height, area.x, area.y
        );
        push_image(html, image, "detail", (area.width, area.height), &alt);
    }
    let _ = writeln!(
        html,
        "<p><b>{frame}</b> <span class=\"tag {class}\">{class}</span> {}</p></li>",
        clock_text(time_s(audit, frame))
    );
}

/// Whether nothing of the part looked at changed.
fn difference_is_white(change: f32) -> bool {
    change == 0.0
}

fn push_image(html: &mut String, image: &EncodedImage, class: &str, (width, height): (u32, u32), alt: &str) {
    let _ = write!(
        html,
        "<img class=\"{class}\" alt=\"{alt}\" width=\"{width}\" height=\"{height}\" loading=\"lazy\" \
         decoding=\"async\" src=\"data:{};base64,{}\"/>",
        image.media_type,
        STANDARD.encode(&image.bytes)
    );
}
