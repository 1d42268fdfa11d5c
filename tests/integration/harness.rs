//! What every reader must hold for any bytes at all; shared by the fuzz targets (fuzz/) and the
//! replay of what they found.

use crestbook::explain::Explain;
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
            assert!(error.help().is_some_and(|help| !help.is_empty()), "{error}");
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
    if let Ok(profile) = crestbook::verification::Profile::read(file, text) {
        plan(&profile);
    }
    let _ = crestbook::ingest::layout::Layout::read(file, text);
}

/// A plan of which nothing was captured is no pass, and can be reported.
fn plan(profile: &crestbook::verification::Profile) {
    use crestbook::report::job;
    use crestbook::verification::{Evidence, JobFacts, PlanFacts, judge, order_of_work, steps};
    let steps = steps(profile);
    let result = judge(Evidence {
        profile,
        steps: &steps,
        found: std::collections::BTreeMap::new(),
        sketches: std::collections::BTreeMap::new(),
        readings: &[],
        job: JobFacts::default(),
        plan: PlanFacts::default(),
        findings: Vec::new(),
        program: "none",
        today: None,
    });
    assert!(result.verdict != crestbook::check::Verdict::Pass);
    let page = job::html(&result, &job::Look::default()).expect("a report can be made");
    assert!(!String::from_utf8_lossy(&page).contains("NaN"));
    assert!(!job::checklist(profile, &order_of_work(&steps), "").is_empty());
    let mut json = Vec::new();
    job::json(&result, &mut json).expect("a result can be written");
    assert!(serde_json::from_slice::<crestbook::verification::JobResult>(&json).is_ok());
}

/// Two files of one channel each, both text or both arrays: they go together or are refused.
pub fn pair(data: &[u8]) {
    let Some((kind, rest)) = data.split_first() else { return };
    let format = if kind % 2 == 0 { "text" } else { "npy" };
    let (_, first, second) = parts("comtrade", rest);
    let Some((_, second)) = second.first() else { return };
    let open = |name: &str, bytes: &[u8]| {
        let source = Source::memory(Path::new(name), bytes.to_vec()).ok()?;
        let format = FORMATS.iter().find(|known| known.id == format)?;
        let head = bytes.get(..bytes.len().min(4096))?;
        let opening = Opening { limits: limits(), ..Opening::default() };
        (format.probe)(head).then(|| (format.open)(source, &opening).ok()).flatten()
    };
    let (Some(a), Some(b)) = (open("a", first), open("b", second)) else { return };
    match crestbook::ingest::pair(a, b, 1) {
        Ok(reader) => hold(reader.as_ref()),
        Err(error) => assert!(error.help().is_some_and(|help| !help.is_empty()), "{error}"),
    }
}

/// Any samples in any format that is written: they read back, or the format refuses them.
pub fn writer(data: &[u8]) {
    use crestbook::export::{self, Floats, Shape};
    use crestbook::trace::{Block, Channels, Mark};
    use crestbook::units::SampleRate;
    let Some((head, values)) = data.split_first_chunk::<8>() else { return };
    let [format, channels, bits, floats, rate @ ..] = *head;
    let formats: Vec<&str> = export::endings().collect();
    let ending = formats[usize::from(format) % formats.len()];
    let (voltage, current) =
        [(true, true), (true, false), (false, true)][usize::from(channels) % 3];
    let Some(rate) = SampleRate::new(f64::from(f32::from_le_bytes(rate)).abs()) else { return };
    let sample = |bytes: &[u8]| {
        let value = f64::from(f32::from_le_bytes(bytes.try_into().unwrap_or_default()));
        // Beyond the range of any bench nothing is written.
        if value.abs() < 1e9 { value } else { f64::NAN }
    };
    let all: Vec<f64> = values.chunks_exact(4).map(sample).collect();
    let (v, i): (Vec<f64>, Vec<f64>) = match (voltage, current) {
        (true, true) => all.chunks_exact(2).map(|pair| (pair[0], pair[1])).unzip(),
        (true, false) => (all, Vec::new()),
        _ => (Vec::new(), all),
    };
    let count = v.len().max(i.len());
    if count < 2 {
        return;
    }
    let largest =
        |x: &[f64]| x.iter().filter(|x| x.is_finite()).fold(1e-30, |a: f64, x| a.max(x.abs()));
    let full = (largest(&v), largest(&i));
    let writable = export::writable(Path::new(&format!("a.{ending}"))).expect("it is written");
    let gapped = v.iter().chain(&i).any(|x| !x.is_finite());
    let bits = (writable.integers && !gapped && bits % 2 == 0)
        .then_some([8, 16, 24][usize::from(bits) % 3]);
    let shape = Shape {
        channels: Channels { voltage, current },
        rate,
        samples: count as u64,
        bits,
        full_scale: full.into(),
        floats: [Floats::Usual, Floats::Double][usize::from(floats) % 2],
    };
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join(format!("a.{ending}"));
    let Ok(mut writer) = export::create(&path, &shape) else { return };
    let block = Block { start: 0, v, i };
    if writer.push(&block).and_then(|()| writer.finish()).is_err() {
        return;
    }
    let reader = crestbook::ingest::open(
        &path,
        &Opening { beside: Beside::of(&path), ..Opening::default() },
    )
    .unwrap_or_else(|error| panic!("{ending}: what was written can't be read: {error}"));
    // Some formats have an order of their own.
    let place = |name: &str, usual: usize| {
        reader.channels().iter().position(|info| info.name == name).unwrap_or(usual)
    };
    let first = if voltage { place("voltage", 0) } else { place("current", 0) };
    let second = (voltage && current).then(|| place("current", 1));
    let wanted = Selection { voltage: Some(first), current: second };
    let (mut piece, mut at) = (Piece::default(), 0);
    for number in 0..reader.pieces() {
        reader.decode(number, wanted, &mut piece).expect("it was written whole");
        let sides = if voltage { [&block.v, &block.i] } else { [&block.i, &block.v] };
        let scales = if voltage { [full.0, full.1] } else { [full.1, full.0] };
        for (channel, (side, full)) in sides.into_iter().zip(scales).enumerate() {
            let info = reader.channels().get([first, second.unwrap_or(first)][channel]);
            for (k, got) in [&piece.v, &piece.i][channel].iter().enumerate() {
                let gap = piece
                    .gaps
                    .iter()
                    .any(|(gap, mark)| gap.contains(&k) && *mark != Mark::Overrange);
                let any = |x: &[f64]| x.get(at + k).is_some_and(|x| !x.is_finite());
                let is_gap = any(&block.v) || any(&block.i);
                assert!(gap == is_gap, "{ending}: sample {} of {count}: gap {gap}", at + k);
                let Some(was) = side.get(at + k).filter(|_| !is_gap) else { continue };
                let factor = info.map_or(1.0, |info| info.factor);
                // Integers of some formats read back as shares of full scale.
                let scale = if bits.is_some() && writable.shares { full } else { factor };
                let step = bits.map_or(1e-6, |bits| 1.1 * 2_f64.powi(1 - bits as i32)) * full;
                let off = (got * scale - was).abs();
                assert!(off <= step.max(1e-30), "{ending}: {was} became {}", got * scale);
            }
        }
        at += piece.len();
    }
    assert_eq!(at, count, "{ending}");
}

/// A folder of a job in which one file is anything.
struct JobFolder {
    folder: tempfile::TempDir,
    files: Vec<(std::path::PathBuf, Vec<u8>)>,
}

impl JobFolder {
    fn new() -> Self {
        use crestbook::job;
        let folder = tempfile::tempdir().expect("a folder");
        let plan = folder.path().join("plan.toml");
        let text = "format = 1\n[[setting]]\nid = \"a\"\nload_ohm = 500.0\nsequence = [\"cut\"]\n\
                    [[setting.limit]]\nmeasure = \"power_w\"\nin = \"whole\"\nmin = 1.0\n\
                    [[manual]]\nid = \"m\"\nwhat = \"x\"\nmax = 2.0\nunit = \"ohm\"\n";
        std::fs::write(&plan, text).expect("a plan");
        let bench = folder.path().join("bench");
        let beginning =
            job::Beginning { profile: plan, state: "as left".into(), ..job::Beginning::default() };
        let begun = job::begin(&bench, &beginning).expect("a job");
        let rows: String = (0..400)
            .map(|k| {
                format!(
                    "{k}e-7,{v},{i}\n",
                    v = (f64::from(k) * 0.3).sin() * 300.0,
                    i = (f64::from(k) * 0.3).sin()
                )
            })
            .collect();
        std::fs::write(bench.join("captures/a.csv"), format!("s,V,A\n{rows}")).expect("a capture");
        let ran =
            job::run(&begun, job::RunOptions::default(), &crestbook::Unobserved).expect("a run");
        job::write(&begun, &ran.result).expect("a result");
        let mut names = Vec::new();
        let mut folders = vec![bench];
        while let Some(next) = folders.pop() {
            for entry in std::fs::read_dir(next).into_iter().flatten().flatten() {
                if entry.path().is_dir() {
                    folders.push(entry.path())
                } else {
                    names.push(entry.path())
                }
            }
        }
        names.sort();
        let files =
            names.into_iter().map(|path| (path.clone(), std::fs::read(&path).unwrap_or_default()));
        let files = files.collect();
        Self { folder, files }
    }
}

/// A job one of whose files is replaced, or changed at one place: it is judged, or refused with what to do.
pub fn job(data: &[u8]) {
    use crestbook::job;
    thread_local! { static FOLDER: JobFolder = JobFolder::new(); }
    let Some(([which, how], rest)) = data.split_first_chunk::<2>() else { return };
    FOLDER.with(|base| {
        let (path, before) = &base.files[usize::from(*which) % base.files.len()];
        let mut changed = rest.to_vec();
        if how % 2 == 0
            && let Some((at, with)) = rest.split_first_chunk::<2>()
        {
            changed = before.clone();
            let at = usize::from(u16::from_le_bytes(*at)) % (changed.len() + 1);
            let end = (at + with.len()).min(changed.len());
            changed.splice(at..end, with.iter().copied());
        }
        std::fs::write(path, &changed).expect("it can be written");
        let bench = base.folder.path().join("bench");
        match job::Job::open(&bench) {
            Err(error) => assert!(!error.to_string().is_empty()),
            Ok(opened) => match job::run(
                &opened,
                job::RunOptions { jobs: Some(1), ..Default::default() },
                &crestbook::Unobserved,
            ) {
                Err(error) => assert!(!error.to_string().is_empty()),
                Ok(ran) => {
                    let mut json = Vec::new();
                    crestbook::report::job::json(&ran.result, &mut json)
                        .expect("a result is written");
                    let again: Result<crestbook::verification::JobResult, _> =
                        crestbook::Form::Job.read(&json);
                    assert!(again.is_ok_and(|again| again == ran.result), "it does not read back");
                    let page = crestbook::report::job::html(&ran.result, &Default::default())
                        .expect("a report is made");
                    assert!(!String::from_utf8_lossy(&page).contains("NaN"));
                }
            },
        }
        for (path, before) in &base.files {
            if std::fs::read(path).ok().as_ref() != Some(before) {
                std::fs::write(path, before).expect("it can be written");
            }
        }
    });
}
