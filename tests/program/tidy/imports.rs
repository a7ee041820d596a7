//! Which file of a member uses which other one, as its paths say: names are followed through what is
//! exported again, so that `crate::Fault` is the file where it is written.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// The modules from the top of a member down.
pub type Module = Vec<String>;

/// A member of the workspace, or the program.
pub struct Member {
    /// Its files by module; the top is the empty path.
    pub files: BTreeMap<Module, PathBuf>,
    /// Which module uses which, tests left out.
    pub uses: BTreeSet<(Module, Module)>,
}

/// Code without comments and without the tests at its end.
pub fn code(text: &str) -> String {
    let body = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or("");
    body.lines().map(|line| line.split("//").next().unwrap_or("")).collect::<Vec<_>>().join("\n")
}

/// Every Rust file in a folder and below it, but for the `without`.
pub fn files(folder: &Path, without: &[&str]) -> Vec<PathBuf> {
    let (mut folders, mut files) = (vec![folder.to_path_buf()], Vec::new());
    while let Some(at) = folders.pop() {
        for entry in fs::read_dir(&at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                let is_left_out = at == folder && without.iter().any(|name| path.ends_with(name));
                folders.extend((!is_left_out).then_some(path));
            } else if path.extension().is_some_and(|suffix| suffix == "rs") {
                files.push(path);
            }
        }
    }
    files.sort();
    files
}

/// The module that a file is.
fn module(folder: &Path, file: &Path) -> Module {
    let inside = file.strip_prefix(folder).unwrap().with_extension("");
    let mut parts: Module = inside.iter().map(|part| part.to_string_lossy().into_owned()).collect();
    let own = ["mod", "lib", "main"].contains(&parts.last().unwrap().as_str());
    parts.truncate(parts.len() - usize::from(own));
    parts
}

/// Paths that a use tree or an expression names, each with the name that it gets.
fn tree(rest: &mut &str, mut path: Module, found: &mut Vec<(Module, String)>) {
    loop {
        *rest = rest.trim_start();
        if let Some(inside) = rest.strip_prefix('{') {
            *rest = inside;
            loop {
                *rest = rest.trim_start().trim_start_matches(',').trim_start();
                if rest.is_empty() || rest.starts_with('}') {
                    *rest = rest.get(1..).unwrap_or("");
                    return;
                }
                let before = rest.len();
                tree(rest, path.clone(), found);
                assert!(rest.len() < before, "no use tree: {rest}");
            }
        }
        let word = taken(rest);
        if !word.is_empty() && word != "self" {
            path.push(word.to_string());
        }
        if let Some(further) = rest.strip_prefix("::") {
            *rest = further;
            continue;
        }
        let mut name = path.last().cloned().unwrap_or_default();
        if let Some(renamed) = rest.strip_prefix(" as ") {
            *rest = renamed;
            name = taken(rest).to_string();
        }
        *rest = rest.trim_start_matches('*');
        found.push((path, name));
        return;
    }
}

/// Takes a word from the front.
fn taken<'t>(rest: &mut &'t str) -> &'t str {
    let end = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
    let (word, after) = rest.split_at(end);
    *rest = after;
    word
}

/// A path of a file from the top of its member; none where it leaves the member.
fn absolute(path: &[String], at: &Module, modules: &BTreeMap<Module, PathBuf>) -> Option<Module> {
    let up = path.iter().take_while(|word| *word == "super").count();
    let (first, rest) = path.split_first()?;
    if first == "crate" {
        return Some(rest.to_vec());
    }
    if up > 0 {
        return Some([&at[..at.len().checked_sub(up)?], &path[up..]].concat());
    }
    let below = [at.as_slice(), std::slice::from_ref(first)].concat();
    modules.contains_key(&below).then(|| [at.as_slice(), path].concat())
}

/// The module where the thing at a path is written.
fn home(
    path: &[String],
    modules: &BTreeMap<Module, PathBuf>,
    names: &BTreeMap<Module, Module>,
    depth: u32,
) -> Module {
    let mut at = Module::new();
    for (index, word) in path.iter().enumerate() {
        let next = [at.as_slice(), std::slice::from_ref(word)].concat();
        if modules.contains_key(&next) {
            at = next;
        } else if let Some(elsewhere) = names.get(&next).filter(|_| depth > 0) {
            return home(
                &[elsewhere.as_slice(), &path[index + 1..]].concat(),
                modules,
                names,
                depth - 1,
            );
        } else {
            break;
        }
    }
    at
}

impl Member {
    /// Reads the member in a folder.
    pub fn read(folder: &Path, without: &[&str]) -> Member {
        let all = files(folder, without);
        let mut files: BTreeMap<Module, PathBuf> =
            all.into_iter().map(|path| (module(folder, &path), path)).collect();
        let texts: BTreeMap<Module, String> = files
            .iter()
            .map(|(at, path)| (at.clone(), fs::read_to_string(path).unwrap()))
            .collect();
        for (at, text) in &texts {
            for rest in text.split("#[cfg(test)]\nmod ").skip(1) {
                let tests = [at.as_slice(), &[taken(&mut &*rest).to_string()]].concat();
                files.retain(|module, _| !module.starts_with(&tests));
            }
        }
        let (mut names, mut plain) = (BTreeMap::new(), Vec::new());
        for at in files.keys() {
            let code = code(&texts[at]);
            for (start, _) in code.match_indices("use ") {
                let line = code[..start].rsplit('\n').next().unwrap().trim();
                let exports = line.starts_with("pub");
                if !line.is_empty() && !exports {
                    continue;
                }
                let mut found = Vec::new();
                tree(&mut &code[start + 4..], Module::new(), &mut found);
                for (path, name) in found {
                    let Some(path) = absolute(&path, at, &files) else { continue };
                    names.insert([at.as_slice(), &[name]].concat(), path.clone());
                    // What a module shows of the modules below it is no use of them.
                    let shows = exports && path.starts_with(at);
                    plain.extend((!shows).then(|| (at.clone(), path)));
                }
            }
            for mark in ["crate::", "super::"] {
                for (start, _) in code.match_indices(mark) {
                    let line = code[..start].rsplit('\n').next().unwrap().trim_start();
                    if line.starts_with("use ")
                        || line.starts_with("pub")
                        || code[..start].ends_with("::")
                    {
                        continue;
                    }
                    let mut found = Vec::new();
                    tree(&mut &code[start..], Module::new(), &mut found);
                    let paths =
                        found.into_iter().filter_map(|(path, _)| absolute(&path, at, &files));
                    plain.extend(paths.map(|path| (at.clone(), path)));
                }
            }
        }
        let uses = plain.into_iter().map(|(at, path)| (at, home(&path, &files, &names, 9)));
        let uses = uses.filter(|(at, used)| at != used).collect();
        Member { files, uses }
    }

    /// A circle of more files than that, if there is one.
    pub fn circle_beyond(&self, most: usize) -> Option<Vec<String>> {
        let mut uses: BTreeMap<&Module, Vec<&Module>> = BTreeMap::new();
        for (user, used) in &self.uses {
            uses.entry(user).or_default().push(used);
        }
        // Only files that all reach each other can lie on a circle.
        let reached: BTreeMap<&Module, BTreeSet<&Module>> = uses
            .keys()
            .map(|from| {
                let (mut seen, mut open) = (BTreeSet::new(), vec![*from]);
                while let Some(at) = open.pop() {
                    let next = uses.get(at).into_iter().flatten().copied();
                    open.extend(next.filter(|used| seen.insert(*used)));
                }
                (*from, seen)
            })
            .collect();
        for used in &mut uses {
            used.1.retain(|to| reached.get(*to).is_some_and(|back| back.contains(used.0)));
        }
        uses.keys().find_map(|from| longer(&mut vec![*from], &uses, most))
    }
}

/// The way on from its end back to its start, over more files than `most` in all.
fn longer<'m>(
    way: &mut Vec<&'m Module>,
    uses: &BTreeMap<&'m Module, Vec<&'m Module>>,
    most: usize,
) -> Option<Vec<String>> {
    for next in uses.get(way[way.len() - 1]).into_iter().flatten() {
        if *next == way[0] && way.len() > most {
            return Some(way.iter().map(|module| module.join("/")).collect());
        }
        // Each circle is looked at from its first file.
        if *next > way[0] && !way.contains(next) {
            way.push(next);
            let found = longer(way, uses, most);
            if found.is_some() {
                return found;
            }
            way.pop();
        }
    }
    None
}
