//! What every reader must hold for any bytes at all; shared by the fuzz targets (fuzz/) and the
//! replay of what they found.

use crestbook::ingest::{Beside, FORMATS, Limits, Opening, Piece, Selection, Source, TraceReader};
use std::path::Path;

/// Bounds under which hostile bytes are read.
fn limits() -> Limits {
    Limits { header: 1 << 15, line: 1 << 12, columns: 64, unpacked: 1 << 18, ratio: 50 }
}

/// Pieces of a file that are decoded.
const PIECES: usize = 4;

/// Reads bytes as one format, told by its short name. Returns whether they could be opened.
pub fn read(format: &str, data: &[u8]) -> bool {
    let (name, main, beside) = parts(format, data);
    let Ok(source) = Source::memory(Path::new(name), main.to_vec()) else { return false };
    let format = FORMATS.iter().find(|known| known.id == format).expect("a known format");
    let head = &main[..main.len().min(4096)];
    if !(format.probe)(head) {
        return false;
    }
    let files = beside.into_iter().filter_map(|(name, bytes)| {
        Some((name.to_owned(), Source::memory(Path::new(name), bytes.to_vec()).ok()?))
    });
    let opening =
        Opening { limits: limits(), beside: Beside::Memory(files.collect()), ..Opening::default() };
    match (format.open)(source, &opening) {
        Ok(reader) => {
            hold(reader.as_ref());
            true
        }
        Err(error) => {
            // Every refusal says what to do.
            assert!(!error.help().is_empty(), "{error}");
            false
        }
    }
}

/// Name and bytes of the file that is opened, and of those beside it.
type Parts<'a> = (&'static str, &'a [u8], Vec<(&'static str, &'a [u8])>);

/// A format of two files: the first two bytes tell where the second begins.
fn parts<'a>(format: &str, data: &'a [u8]) -> Parts<'a> {
    let names = match format {
        "sigmf" => ("a.sigmf-meta", "a.sigmf-data"),
        "comtrade" => ("a.cfg", "a.dat"),
        _ => return ("a", data, Vec::new()),
    };
    let Some((length, rest)) = data.split_first_chunk::<2>() else {
        return (names.0, data, Vec::new());
    };
    let length = usize::from(u16::from_le_bytes(*length)).min(rest.len());
    let (main, beside) = rest.split_at(length);
    (names.0, main, vec![(names.1, beside)])
}

/// Two files as one input.
pub fn joined(main: &[u8], beside: &[u8]) -> Vec<u8> {
    let mut all = u16::try_from(main.len()).unwrap_or(u16::MAX).to_le_bytes().to_vec();
    all.extend(main);
    all.extend(beside);
    all
}

/// Decodes the first pieces and the last, and holds what they give.
fn hold(reader: &dyn TraceReader) {
    let channels = reader.channels();
    assert!(channels.len() <= 64 && !channels.is_empty());
    for info in channels {
        assert!(info.factor.is_finite() && info.offset.is_finite(), "{info:?}");
    }
    let wanted = Selection { voltage: Some(0), current: (channels.len() > 1).then_some(1) };
    let pieces = reader.pieces();
    let mut piece = Piece::default();
    for number in (0..pieces.min(PIECES)).chain(pieces.checked_sub(1)) {
        if reader.decode(number, wanted, &mut piece).is_err() {
            continue;
        }
        let count = piece.v.len();
        assert!(wanted.current.is_none() || piece.i.len() == count);
        assert!(piece.v.iter().chain(&piece.i).all(|x| x.is_finite()), "a number is not one");
        let mut last = 0;
        for (gap, _) in &piece.gaps {
            assert!(gap.start >= last && gap.end > gap.start && gap.end <= count, "{gap:?}");
            last = gap.end;
        }
        assert!(piece.breaks.windows(2).all(|pair| pair[0].at <= pair[1].at));
        assert!(piece.breaks.iter().all(|known| known.at <= count));
        for stamps in &piece.stamps {
            assert!(stamps.first.is_finite() && stamps.last.is_finite());
        }
    }
}

/// Reads a text as a sheet, a profile and a layout.
pub fn keyfiles(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let file = Path::new("a.toml");
    if let Ok(sheet) = crestbook::sheet::read(file, text) {
        // What was read can be written and read again.
        let again = toml::to_string(&sheet).expect("a sheet can be written");
        assert_eq!(crestbook::sheet::read(file, &again).ok(), Some(sheet), "{again}");
    }
    if let Ok(profile) = crestbook::profile::Profile::read(file, text) {
        for setting in &profile.setting {
            assert!(profile.setting(&setting.id).is_some());
        }
        plan(&profile);
    }
    let _ = crestbook::ingest::layout::Layout::read(file, text);
}

/// A plan of which nothing was captured is no pass, and can be reported.
fn plan(profile: &crestbook::profile::Profile) {
    use crestbook::report::job;
    use crestbook::verification::{Evidence, JobFacts, PlanFacts, judge, order_of_work, steps};
    let steps = steps(profile);
    let result = judge(Evidence {
        profile,
        steps: &steps,
        found: std::collections::BTreeMap::new(),
        pictures: std::collections::BTreeMap::new(),
        readings: &[],
        job: JobFacts::default(),
        plan: PlanFacts::default(),
        findings: Vec::new(),
        program: "none",
    });
    assert!(result.verdict != crestbook::check::Verdict::Pass);
    let page = job::html(&result).expect("a report can be made");
    assert!(!String::from_utf8_lossy(&page).contains("NaN"));
    assert!(!job::checklist(profile, &order_of_work(&steps), "").is_empty());
    let mut json = Vec::new();
    job::json(&result, &mut json).expect("a result can be written");
    assert!(serde_json::from_slice::<crestbook::verification::JobResult>(&json).is_ok());
}
