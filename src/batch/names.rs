//! Folder names for serial numbers: the serial number itself where every file system accepts it, else
//! its harmless letters and a digest.

use crate::disk::sha256;
use std::collections::{HashMap, HashSet};

/// Longest serial number that is used as it is.
const MAX_PLAIN: usize = 60;

/// Letters that are kept of others.
const MAX_KEPT: usize = 12;

/// Digits of the digest, and more where those are taken.
const DIGITS: [usize; 2] = [8, 64];

/// Names that mean a device on Windows, with any extension.
const DEVICES: [&str; 6] = ["con", "prn", "aux", "nul", "com", "lpt"];

/// A name for each serial number, no two the same where capitals do not count. `taken` holds names
/// given before, by their serial numbers, and `own` names that are no head's.
pub(crate) fn folders(
    serials: &[&str],
    taken: &HashMap<String, String>,
    own: &[&str],
) -> Vec<String> {
    let mut alike: HashMap<String, usize> = HashMap::new();
    for serial in serials {
        *alike.entry(serial.to_ascii_lowercase()).or_default() += 1;
    }
    let mut used: HashSet<String> = own.iter().map(|name| name.to_string()).collect();
    used.extend(taken.values().map(|name| name.to_ascii_lowercase()));
    let mut names = Vec::new();
    for serial in serials {
        if let Some(name) = taken.get(*serial) {
            names.push(name.clone());
            continue;
        }
        let lower = serial.to_ascii_lowercase();
        let alone = alike.get(&lower).copied().unwrap_or(0) == 1;
        let name = if alone && is_plain(serial) && !used.contains(&lower) {
            serial.to_string()
        } else {
            let mut names = DIGITS.map(|digits| marked(serial, digits)).into_iter();
            let free = names.find(|name| !used.contains(&name.to_ascii_lowercase()));
            free.unwrap_or_else(|| marked(serial, 64))
        };
        used.insert(name.to_ascii_lowercase());
        names.push(name);
    }
    names
}

/// Whether every file system accepts a name.
fn is_plain(name: &str) -> bool {
    let harmless = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '+');
    let stem = name.split('.').next().unwrap_or("").to_ascii_lowercase();
    let device = DEVICES.iter().any(|device| {
        stem.strip_prefix(device)
            .is_some_and(|rest| rest.is_empty() || rest.chars().all(|c| c.is_ascii_digit()))
    });
    let ends = name.starts_with(['.', '-']) || name.ends_with('.');
    (1..=MAX_PLAIN).contains(&name.len()) && name.chars().all(harmless) && !device && !ends
}

/// Harmless letters of a serial number, and its digest, which tells it from all others.
fn marked(serial: &str, digits: usize) -> String {
    let kept = serial.chars().filter(|c| c.is_ascii_alphanumeric()).take(MAX_KEPT);
    let short: String = sha256(serial).chars().take(digits).collect();
    format!("{}~{short}", kept.collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::folders;
    use std::collections::{HashMap, HashSet};

    #[test]
    fn every_serial_has_a_harmless_name_of_its_own() {
        let long = "x".repeat(300);
        let serials = [
            "SN-001",
            "sn-001",
            "a/b",
            "a\\b",
            "..",
            ".",
            "CON",
            "com1.txt",
            "nul.",
            "a b",
            "ab",
            "µ-7",
            "-rf",
            "summary.csv",
            "lock",
            "a\u{0}b",
            "a:b",
            "a*b",
            &long,
            "con7",
            "Aux-7",
        ];
        let names = folders(&serials, &HashMap::new(), &["summary.csv", "lock"]);
        assert_eq!(names[10], "ab");
        assert_eq!(names[20], "Aux-7");
        let lower: HashSet<String> = names.iter().map(|n| n.to_ascii_lowercase()).collect();
        assert_eq!(lower.len(), serials.len());
        for (name, serial) in names.iter().zip(serials) {
            assert!(name.len() <= 60 && !name.starts_with(['.', '-']), "{serial}: {name}");
            let fine = |c: char| c.is_ascii_alphanumeric() || "-_.+~".contains(c);
            assert!(name.chars().all(fine), "{serial}: {name}");
        }
        for serial in ["SN-001", "CON", "com1.txt", "nul.", "lock", "con7"] {
            let at = serials.iter().position(|s| *s == serial).unwrap();
            assert!(names[at].contains('~'), "{serial}: {}", names[at]);
        }
    }

    /// A name that was given stays, though the list has grown by one that differs in capitals only.
    #[test]
    fn a_name_once_given_stays() {
        let taken = HashMap::from([("SN-1".to_string(), "SN-1".to_string())]);
        let names = folders(&["SN-1", "sn-1"], &taken, &[]);
        assert_eq!(names[0], "SN-1");
        assert!(names[1].starts_with("sn1~"), "{}", names[1]);
    }
}
