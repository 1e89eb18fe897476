//! The head of the page: the verdict, and the judgement of each aspect.

use std::fmt::Write;

use crate::audit::Audit;
use crate::classify::Evidence;
use crate::escape::markup;
use crate::report::text::who;
use crate::verdict::{AspectJudgement, Judgement};
use crate::words::{counted, listed};

pub(super) fn push(html: &mut String, audit: &Audit) {
    let rest = audit.verdict.strip_prefix(audit.headline.as_str()).unwrap_or(&audit.verdict).trim_start();
    let who = who(&audit.device).map_or_else(String::new, |who| format!(" · {}", markup(&who)));
    let _ = writeln!(
        html,
        "<header>\n<p class=\"kicker\">Cadence audit of <strong>{}</strong>{who}</p>\n<h1>{}</h1>",
        markup(&audit.facts.name),
        markup(&audit.headline)
    );
    if !rest.is_empty() {
        let _ = writeln!(html, "<p class=\"verdict\">{}</p>", markup(rest));
    }
    if !audit.complete {
        html.push_str(
            "<p class=\"incomplete\" role=\"note\"><strong>The recording is incomplete.</strong> Not every frame \
             could be read. What follows holds for the frames that were. See the notes.</p>\n",
        );
    }
    html.push_str("<ul class=\"aspects\" aria-label=\"Judgement of each aspect\">\n");
    audit.judgements.iter().for_each(|judged| push_aspect(html, judged));
    html.push_str("</ul>\n</header>\n");
}

/// An option that a sentence names: it stays on one line.
const OPTION: &str = "--reference";

/// One aspect: the shape and the words of its judgement, its number and its limit, and why.
fn push_aspect(html: &mut String, judged: &AspectJudgement) {
    let _ = write!(
        html,
        "<li class=\"{}\"><span class=\"aspect\">{}</span><b><svg class=\"sign\" viewBox=\"0 0 16 16\" \
         aria-hidden=\"true\"><path d=\"{}\"/></svg>{}</b>",
        judged.judgement.name(),
        judged.aspect.title(),
        sign(judged.judgement),
        judged.judgement.words()
    );
    let why = markup(&judged.text).replace(OPTION, &format!("<span class=\"whole\">{OPTION}</span>"));
    let _ = match judged.figures() {
        Some((number, limit)) => {
            let limit = limit.map_or_else(String::new, |limit| {
                format!("<span class=\"limit\">should be {}</span>", markup(limit))
            });
            let number = markup(number);
            writeln!(
                html,
                "<span class=\"number\">{number}</span>{limit}<span class=\"unseen\"> {why}</span></li>"
            )
        }
        None => writeln!(html, "<span class=\"limit\">{why}</span></li>"),
    };
}

/// The shape of a judgement on 16 by 16 units: colour never stands alone.
fn sign(judgement: Judgement) -> &'static str {
    match judgement {
        Judgement::Right => "M1 8a7 7 0 1 0 14 0a7 7 0 1 0 -14 0z",
        Judgement::Wrong => "M8 0l8 8l-8 8l-8 -8z",
        Judgement::CannotBeTold => "M1 8a7 7 0 1 0 14 0a7 7 0 1 0 -14 0zM4 8a4 4 0 1 1 8 0a4 4 0 1 1 -8 0z",
        Judgement::NotTested => "M1 7h14v2h-14z",
    }
}

/// How many frames were called by what.
fn calls_text(audit: &Audit) -> String {
    let mut counts = [0u64; 4];
    for frame in audit.frames.iter().skip(1) {
        counts[match frame.evidence {
            Evidence::Digest => 0,
            Evidence::Measure => 1,
            Evidence::Cadence => 2,
            Evidence::Reference | Evidence::Mark => 3,
        }] += 1;
    }
    let ways = [
        "because identical to the last bit",
        "by the measured change",
        "by the pattern around",
        "by the place in the clip",
    ];
    let parts: Vec<String> = counts
        .iter()
        .zip(ways)
        .filter(|(&count, _)| count > 0)
        .map(|(&count, way)| format!("{} {way}", counted(count, "frame")))
        .collect();
    let called = if parts.is_empty() { String::new() } else { format!(" Called were {}.", listed(&parts)) };
    format!(
        "Each frame is compared with the one before it: it is new if it shows another picture, and a repeat if it shows \
         the same one while the scene moves.{called}"
    )
}

/// Why each aspect is judged so, as a list.
pub(super) fn push_reasons(html: &mut String, audit: &Audit) {
    super::table::open_section(html, "reasons", "Why it is judged so");
    html.push_str("<table class=\"pairs\"><tbody>\n");
    for judged in &audit.judgements {
        let _ = writeln!(
            html,
            "<tr><th scope=\"row\">{}: {}</th><td>{}</td></tr>",
            judged.aspect.title(),
            judged.judgement.words(),
            markup(&judged.text)
        );
    }
    let _ = writeln!(html, "</tbody></table>\n<p>{}</p>\n</section>", markup(&calls_text(audit)));
}
