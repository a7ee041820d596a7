//! Examples of the table of codes, taken apart and read by those tests that run them.

#![allow(dead_code, reason = "no test uses all of it")]

use spintrue::builtins::Effect;
use spintrue::check::limit::beyond;
use spintrue::diagnostics::Diagnostic;
use spintrue::head::{FaultInjector, Head, sim};
use spintrue::session::{FileError, Files, Prepared, Text, prepare};

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

    /// Everything that is said of it, first what the check says.
    pub fn said(mut self) -> (Vec<Diagnostic>, Prepared) {
        let settings = std::mem::take(&mut self.settings);
        let (allowed, answers) = (self.allowed.take(), self.answers.take());
        let mut prepared = prepare(&mut self, "example.spt", &settings).unwrap();
        let mut said = prepared.diagnostics.clone();
        if let Some(answers) = answers {
            said.extend(prepared.answers(&mut self, &answers).err().into_iter().flatten());
        }
        let file = self.head.take().map(|file| self.read(None, &file).unwrap());
        let file = file.as_ref().map(|file| (file.name.as_str(), file.text.as_str()));
        let (mut head, _) = sim::open(file, 1).unwrap();
        let provoking = head.injector();
        said.extend(
            prepared.unfit(&head.describe().unwrap(), &|fault| provoking.check_can_inject(fault)),
        );
        if let Some(allowed) = allowed {
            let named = allowed.split(',').map(|word| Effect::named(word).unwrap());
            let allowed: Vec<Effect> = named.collect();
            let way_out = |effect: Effect| format!("add {}", effect.text());
            said.extend(beyond(&prepared.effects, &allowed, &way_out, &prepared.sources));
        }
        (said, prepared)
    }
}

/// `65` of `65 times:`.
fn repeated(comment: &str) -> Option<usize> {
    comment.strip_suffix(" times:")?.parse().ok()
}

impl Files for Example {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        // Paths are taken from the folder of the file that names them.
        let folder = from.and_then(|from| from.rsplit_once('/')).map_or("", |(folder, _)| folder);
        let near = format!("{folder}/{path}");
        let found = self.files.iter().find(|(name, _)| *name == near || name == path);
        let (name, text) = found.ok_or_else(|| format!("there is no file {path}"))?;
        Ok(Text { name: name.clone(), text: text.clone() })
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Ok(self.read(Some(from), path)?.text.into_bytes())
    }
}
