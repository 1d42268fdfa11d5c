//! Linear budgets against simulation, on the captures of the coverage.

use crate::bench::measure;
use crate::coverage::{MEASURES, random};
use crestbook::analysis::Settings;
use crestbook::uncertainty::{Draws, Extras};

/// The section on so many captures.
pub fn section(captures: u64) -> String {
    let extras = Extras { budget: false, monte_carlo: Some((Draws::Auto, 1)) };
    let settings = Settings { extras, ..Settings::default() };
    let mut rows = vec![(0_u32, 0_u32, 0_u32, 0.0_f64); MEASURES.len()];
    let mut worst = String::new();
    let mut widest = 0.0;
    for number in 0..captures {
        let (recipe, bench, _) = random(number);
        let Some(found) = measure(&recipe, &bench, &settings) else { continue };
        for (row, key) in rows.iter_mut().zip(MEASURES) {
            let Some(estimate) = found.whole.get(key) else { continue };
            let (Some(simulated), Some(expanded)) = (&estimate.monte_carlo, estimate.expanded())
            else {
                continue;
            };
            let low = (estimate.value - expanded - simulated.low).abs();
            let high = (estimate.value + expanded - simulated.high).abs();
            let off = low.max(high) / expanded;
            row.0 += 1;
            row.1 += u32::from(simulated.validates_linear);
            row.2 += u32::from(!simulated.validates_linear && off > 0.05);
            row.3 = row.3.max(off);
            if off > widest {
                widest = off;
                worst = format!("capture {number}, `{key}`");
            }
        }
    }
    let mut out = format!(
        "## Linear budgets against simulation\n\nThe first {captures} of those captures, every budget \
         of the whole record held against a simulation (JCGM 101, adaptive, at most a million draws). \
         **Validated**: both ends of the interval agree within half a unit of the second digit of u, \
         which is 0.5 to 5 % of u. **Off by over 5 %** of U: those where it would matter. Widest: \
         {worst}.\n\n| measure | budgets | validated | off by over 5 % of U | widest |\n\
         |---|---:|---:|---:|---:|\n"
    );
    for ((count, validated, off, widest), key) in rows.into_iter().zip(MEASURES) {
        if count > 0 {
            out.push_str(&format!(
                "| `{key}` | {count} | {validated} | {off} | {:.1} % |\n",
                100.0 * widest
            ));
        }
    }
    out
}
