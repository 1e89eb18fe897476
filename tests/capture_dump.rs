use evenbeat::capture::{open, CaptureArg};
use evenbeat::settings::ReadingSettings;
#[test]
fn dump() {
    for path in std::env::var("DUMP").unwrap_or_default().split_whitespace() {
        let start = std::time::Instant::now();
        let mut s = match open(&CaptureArg::Path(path.into()), &ReadingSettings::default()) { Ok(s) => s, Err(e) => { println!("{path}: ERR {e} | {}", e.hint); continue; } };
        let f = s.facts().clone();
        let mut buf = Vec::new(); let mut n = 0; let mut t = vec![];
        let r = loop { match s.read_frame(&mut buf) { Ok(Some(x)) => { n += 1; t.push(x.ticks); } Ok(None) => break Ok(()), Err(e) => break Err(e) } };
        let end = s.finish();
        println!("{}: {}x{} {} {:?} rate {:?} {:?} tb {:?} frames {n} ticks {:?}..{:?} {:.2}s {r:?}", f.name, f.shape.width, f.shape.height, f.shape.pixel_format, f.scan, f.nominal_rate.map(|r| (r.num(), r.den())), f.rate_source, f.time_base, &t[..t.len().min(3)], t.last(), start.elapsed().as_secs_f64());
        for n in end.notes { println!("    {:?}: {}", n.code, n.text); }
    }
}
