//! Examples of diagnostic codes: files, options of the command line, and the script.

#![allow(dead_code, reason = "each test binary uses a part of it")]

/// An example taken apart, in the form that `diagnostics::codes` describes.
pub struct Example {
    pub files: Vec<(String, String)>,
    pub settings: Vec<String>,
    pub allowed: Option<String>,
    pub answers: Option<String>,
    pub head: Option<String>,
    pub at_most: Option<String>,
}

impl Example {
    pub fn new(text: &str) -> Example {
        let mut files = vec![("example.spt".to_string(), String::new())];
        let mut settings = Vec::new();
        let (mut allowed, mut answers, mut head, mut at_most) = (None, None, None, None);
        let mut times = 1;
        for line in text.trim_matches('\n').lines() {
            if let Some(name) = line.strip_prefix("// file ") {
                files.push((name.to_string(), String::new()));
            } else if let Some(setting) = line.strip_prefix("// --set ") {
                settings.push(setting.to_string());
            } else if let Some(list) = line.strip_prefix("// --allow ") {
                allowed = Some(list.to_string());
            } else if let Some(file) = line.strip_prefix("// --answers ") {
                answers = Some(file.to_string());
            } else if let Some(file) = line.strip_prefix("// --head ") {
                head = file.strip_prefix("sim:").map(str::to_string);
            } else if let Some(time) = line.strip_prefix("// --at-most ") {
                at_most = Some(time.to_string());
            } else if let Some(count) = line.strip_prefix("// ").and_then(repeated) {
                times = count;
            } else {
                let (_, file) = files.last_mut().unwrap();
                file.push_str(&format!("{line}\n").repeat(times));
                times = 1;
            }
        }
        Example { files, settings, allowed, answers, head, at_most }
    }
}

/// `65` of `65 times:`.
fn repeated(comment: &str) -> Option<usize> {
    comment.strip_suffix(" times:")?.parse().ok()
}
