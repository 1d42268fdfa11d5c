//! The house holds: modules import only from lower floors, no file grows too long, documents name
//! what is there.

use crate::support::root;
use std::path::{Path, PathBuf};

/// Module and floor; modules of one floor are strangers.
const FLOORS: [(&str, u32); 33] = [
    ("explain", 0),
    ("units", 0),
    ("term", 0),
    ("numeric", 0),
    ("keyfile", 1),
    ("files", 1),
    ("digest", 0),
    ("estimate", 2),
    ("trace", 2),
    ("sheet", 2),
    ("condition", 3),
    ("segment", 3),
    ("measures", 3),
    ("synth", 3),
    ("flag", 4),
    ("ingest", 5),
    ("export", 5),
    ("result", 6),
    ("uncertainty", 6),
    ("recording", 7),
    ("profile", 7),
    ("analysis", 8),
    ("check", 9),
    ("convert", 9),
    ("synthetic", 9),
    ("verification", 10),
    ("card", 11),
    ("archive", 11),
    ("report", 12),
    ("job", 13),
    ("demo", 14),
    ("cli", 15),
    ("main", 16),
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

fn all_sources() -> Vec<PathBuf> {
    let mut found = Vec::new();
    sources(&root().join("src"), &mut found);
    assert!(found.len() > 40);
    found
}

fn module_of(path: &Path) -> String {
    let inside = path.strip_prefix(root().join("src")).unwrap();
    let first = inside.components().next().unwrap().as_os_str().to_string_lossy().into_owned();
    first.trim_end_matches(".rs").to_owned()
}

fn floor(module: &str) -> Option<u32> {
    FLOORS.iter().find(|(name, _)| *name == module).map(|(_, floor)| *floor)
}

#[test]
fn modules_import_from_lower_floors_only() {
    for path in all_sources() {
        let module = module_of(&path);
        if module == "lib" {
            continue;
        }
        let own = floor(&module).unwrap_or_else(|| panic!("{module} stands on no floor"));
        let text = std::fs::read_to_string(&path).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap();
        // Ways to another module that are not looked for below.
        for hidden in ["crate::{", "super::super"] {
            assert!(!code.contains(hidden), "{}: write `crate::module::...`", path.display());
        }
        for (at, _) in code.match_indices("crate::") {
            let name: String =
                code[at + 7..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            let Some(other) = floor(&name) else { continue };
            assert!(
                name == module || other < own,
                "{}: {module} (floor {own}) uses {name} (floor {other})",
                path.display()
            );
        }
    }
}

#[test]
fn no_file_grows_beyond_reading() {
    for path in all_sources() {
        let lines = std::fs::read_to_string(&path).unwrap().lines().count();
        assert!(lines <= 600, "{} has {lines} lines: split it by concern", path.display());
    }
}

#[test]
fn nothing_prints_but_the_command_line() {
    for path in all_sources().into_iter().filter(|path| module_of(path) != "cli") {
        let text = std::fs::read_to_string(&path).unwrap();
        for word in ["println!", "print!(", "eprintln!", "dbg!"] {
            assert!(!text.contains(word), "{} has {word}", path.display());
        }
    }
}

#[test]
fn every_measure_has_a_page_entry() {
    let page = std::fs::read_to_string(root().join("docs/measures.md")).unwrap();
    for measure in crestbook::measures::catalog::MEASURES {
        assert!(page.contains(&format!("`{}`", measure.key)), "{} is not told", measure.key);
    }
}

/// The page tells each flag with what it does to a verdict.
#[test]
fn every_flag_has_a_page_entry() {
    use crestbook::flag::{Effect, FLAGS};
    let page = std::fs::read_to_string(root().join("docs/measures.md")).unwrap();
    for row in FLAGS {
        let effect = match row.effect {
            Effect::Blocks => "*blocks*",
            Effect::Limits => "limits",
            Effect::Notes => "told only",
        };
        assert!(page.contains(&format!("| `{}` | {effect} | ", row.name)), "{}", row.name);
        assert!(row.effect == Effect::Notes || !row.measures.is_empty(), "{}", row.name);
    }
}

#[test]
fn every_sheet_key_is_told() {
    let page = std::fs::read_to_string(root().join("docs/sheet.md")).unwrap();
    for key in crestbook::sheet::KEYS {
        assert!(page.contains(key.path.last().unwrap()), "{:?} is not told", key.path);
    }
}
