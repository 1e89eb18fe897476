//! The plainest judge there is: equal digests repeat, everything else is new. It makes no error on lossless
//! material and many on all other: a check of the bench itself.

use evenbeat::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use evenbeat::fingerprint::FrameFingerprint;

pub fn judge(fingerprints: &[FrameFingerprint]) -> Vec<ClassifiedFrame> {
    let before = std::iter::once(None).chain(fingerprints.iter().map(|print| Some(print.digest)));
    before
        .zip(fingerprints)
        .map(|(before, print)| {
            let same = before == Some(print.digest);
            ClassifiedFrame {
                class: if same { FrameClass::Repeat } else { FrameClass::New },
                confidence: if same { 1.0 } else { 0.5 },
                evidence: if same { Evidence::Digest } else { Evidence::Measure },
                change: print.luma_change,
                lost_before: 0,
                lost_uncertainty: 0.0,
                blend_weight: 0.0,
                flags: FrameFlags::default(),
                digest: print.digest,
            }
        })
        .collect()
}
