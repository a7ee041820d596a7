//! `head expose` and `run --picture` from outside: what they say, the files they leave, and how
//! they refuse before anything moves.

use crate::program::{self, json_lines};
use crate::support::{Folder, repository};
use std::fs;
use std::io::BufReader;
use std::path::Path;

const PAGES: &str = "tests/corpus/run/pages";

/// Exit code, standard output and standard error, in the folder.
fn spintrue(folder: &Folder, arguments: &[&str]) -> (i32, String, String) {
    let ended = program::spintrue(folder, arguments);
    (ended.code.unwrap(), ended.out, ended.error)
}

/// Width, height and gray levels of a PNG file.
fn picture(path: &Path) -> (u32, u32, Vec<u8>) {
    let mut reader =
        png::Decoder::new(BufReader::new(fs::File::open(path).unwrap())).read_info().unwrap();
    let mut gray = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut gray).unwrap();
    assert_eq!(info.color_type, png::ColorType::Grayscale);
    assert!(reader.info().pixel_dims.is_some());
    (info.width, info.height, gray)
}

fn page(name: &str) -> String {
    repository(&format!("{PAGES}/{name}"))
}

#[test]
fn trimming_shows_in_pictures_and_in_banding() {
    let folder = Folder::new("trimming");
    let arguments =
        ["head", "expose", &page("page.pbm"), "--out", "after.png", "--before", "before.png"];
    let (code, out, error) = spintrue(&folder, &[&arguments[..], &["--trim", "--json"]].concat());
    assert_eq!((code, error.as_str()), (0, ""));
    assert_eq!(folder.names(), ["after.png", "before.png"]);
    let mut pages = json_lines(&out);
    pages.retain(|event| event["event"] == "page");
    let largest = |page: &serde_json::Value| {
        let peaks = page["banding"]["peaks"].as_array().unwrap();
        assert_eq!(peaks.len(), 5);
        peaks.iter().map(|p| p["amplitude"]["value"].as_f64().unwrap()).fold(0.0, f64::max)
    };
    assert_eq!(pages.len(), 2);
    assert!(largest(&pages[0]) > 10e-6 && largest(&pages[1]) < 1e-6, "{out}");
    let (before, after) =
        (picture(&folder.0.join("before.png")), picture(&folder.0.join("after.png")));
    assert_eq!((before.0, before.1), (400, 120));
    assert_ne!(before.2, after.2);
}

#[test]
fn the_same_seed_gives_the_same_files() {
    let folder = Folder::new("seeds");
    let image = page("page.pbm");
    for (seed, out) in [("5", "a.png"), ("5", "b.png"), ("6", "c.png")] {
        let (code, ..) =
            spintrue(&folder, &["head", "expose", &image, "--out", out, "--seed", seed]);
        assert_eq!(code, 0);
    }
    let bytes = |name: &str| fs::read(folder.0.join(name)).unwrap();
    assert_eq!(bytes("a.png"), bytes("b.png"));
    assert_ne!(bytes("a.png"), bytes("c.png"));
}

#[test]
fn of_several_images_the_first_is_exposed_and_said_so() {
    let folder = Folder::new("several");
    let (code, _, error) =
        spintrue(&folder, &["head", "expose", &page("two.pbm"), "--out", "a.png"]);
    assert_eq!(code, 0);
    assert!(error.contains("holds several images; the first is exposed"), "{error}");
    assert_eq!(picture(&folder.0.join("a.png")).1, 120);
}

#[test]
fn what_cannot_be_done_is_refused_before_anything_moves() {
    let folder = Folder::new("refused");
    let good = page("page.pbm");
    let cases: &[(&[&str], &str)] = &[
        (&[&page("short.pbm"), "--out", "a.png"], "short.pbm: byte 3000: the file ends"),
        (&[&page("gray.pbm"), "--out", "a.png"], "gray.pbm: byte 0: this is an image of gray"),
        (&[&page("tail.pbm"), "--out", "a.png"], "tail.pbm: byte 6049: behind the image"),
        (&["absent.pbm", "--out", "a.png"], "there is no file absent.pbm"),
        (&[&repository(PAGES), "--out", "a.png"], "is a folder"),
        (&[&good, "--out", "."], "is a folder"),
        (&[&good, "--out", "no/such/a.png"], "no/such/a.png cannot be written"),
        (&[&good, "--out", "a.png", "--trim", "--before", "no/b.png"], "no/b.png cannot"),
        (&[&good, "--out", "a.png", "--before", "b.png"], "--trim"),
        (&[&good, "--out", "a.png", "--spot", "1 m"], "the spot must be from a tenth"),
        (&[&good, "--out", "a.png", "--spot", "3"], "this is no positive length"),
        (&[&good, "--out", "a.png", "--pixels-per-dot", "0"], "0"),
        (&[&good, "--out", "a.png", "--speed", "80 Hz"], "write it like `4800 rpm`"),
        (&[&good, "--out", "a.png", "--resolution", "300"], "write it like `300 dpi`"),
        (&[&good, "--out", "a.png", "--head", "sim:absent.toml"], "absent.toml"),
        (&[], "IMAGE"),
    ];
    for (arguments, says) in cases {
        let all = [&["head", "expose"], *arguments].concat();
        let (code, out, error) = spintrue(&folder, &all);
        assert_eq!((code, out.as_str()), (2, ""), "{arguments:?}: {error}");
        assert!(error.contains(says), "{arguments:?}: {error}");
        assert!(folder.names().is_empty(), "{arguments:?}: {:?}", folder.names());
    }
}

#[test]
fn a_page_that_the_head_cannot_draw_leaves_no_picture() {
    let folder = Folder::new("undrawn");
    let image = page("page.pbm");
    let (code, out, _) = spintrue(
        &folder,
        &["head", "expose", &image, "--out", "a.png", "--resolution", "9000 dpi"],
    );
    assert_eq!(code, 1, "{out}");
    assert!(out.contains("not feasible:"), "{out}");
    assert!(folder.names().is_empty(), "{:?}", folder.names());
}

#[test]
fn scripts_get_a_picture_of_each_page() {
    let folder = Folder::new("pictures");
    fs::copy(page("page.pbm"), folder.0.join("page.pbm")).unwrap();
    let start = "spin(4800 rpm)\nwait until locked() within 20 s\nlet plan = plan_line(4800 rpm, \
                 length: 400 / 300 * 25.4 mm, resolution: 300 dpi)\n";
    let body = "arm at 35 % {\n    record \"one\": expose(\"page.pbm\", plan)\n    record \"two\": \
                expose(\"page.pbm\", plan)\n}\n";
    fs::write(folder.0.join("pages.spt"), format!("{start}{body}")).unwrap();
    // From another folder: the image lies beside the script.
    let elsewhere = Folder::new("elsewhere");
    let script = folder.0.join("pages.spt");
    let arguments = ["run", script.to_str().unwrap(), "--picture", "p.png"];
    let (code, out, error) =
        spintrue(&elsewhere, &[&arguments[..], &["--pixels-per-dot", "2"]].concat());
    assert_eq!((code, error.as_str()), (0, ""), "{out}");
    assert_eq!(elsewhere.names(), ["p-2.png", "p.png"]);
    assert_eq!(picture(&elsewhere.0.join("p-2.png")).0, 800);
    assert!(out.contains("Page 2: 120 lines"), "{out}");

    let (code, out, error) = spintrue(&folder, &["run", "pages.spt", "--picture", "no/such/p.png"]);
    assert_eq!((code, out.as_str()), (2, ""));
    assert!(error.contains("no/such/p.png cannot be written"), "{error}");

    fs::write(folder.0.join("dark.spt"), "note \"no page\"\n").unwrap();
    let (code, _, error) = spintrue(&folder, &["run", "dark.spt", "--picture", "p.png"]);
    assert_eq!(code, 2);
    assert!(error.contains("the script exposed no page"), "{error}");
    assert!(!folder.names().iter().any(|name| name.contains("png")), "{:?}", folder.names());
}

/// The longest time that is stated beforehand holds, whatever goes wrong under a page.
#[test]
fn no_page_takes_longer_than_its_bound() {
    let folder = Folder::new("bounds");
    fs::copy(page("page.pbm"), folder.0.join("page.pbm")).unwrap();
    let script = "spin(600 rpm)\nwait until locked() within 20 s\nlet plan = plan_line(600 rpm, \
                  length: 400 / 300 * 25.4 mm, resolution: 300 dpi)\narm at 35 % {\n    \
                  record \"page\": expose(\"page.pbm\", plan, lines: 120)\n}\n";
    fs::write(folder.0.join("page.spt"), script).unwrap();
    let faults = [
        "kind = 'start_of_scan_dropouts'\nshare = '30 %'",
        "kind = 'start_of_scan_dropouts'\nshare = '100 %'\nline = 119",
        "kind = 'index_missing'\nline = 119",
        "kind = 'index_slipping'",
        "kind = 'lock_lost'\nline = 119",
        "kind = 'link_silent'\nline = 119",
        "kind = 'queue_underrun'",
        "kind = 'interlock_opened'\nat = '12.3 s'",
    ];
    for fault in faults.iter().map(|f| format!("[[fault]]\n{f}\n")).chain([String::new()]) {
        fs::write(folder.0.join("head.toml"), &fault).unwrap();
        let (_, out, _) =
            spintrue(&folder, &["run", "page.spt", "--head", "sim:head.toml", "--json"]);
        let end = json_lines(&out).pop().unwrap();
        let (took, most) = (&end["took"]["value"], &end["at_most"]["value"]);
        assert!(took.as_f64().unwrap() <= most.as_f64().unwrap(), "{fault}: {took} {most}");
        assert!(took.as_f64().unwrap() > 10.0, "{fault}: {out}");
    }
}

/// The script behind `head expose` is a script like any other.
#[test]
fn its_script_is_checked_and_in_the_house_style() {
    let folder = Folder::new("script");
    let script = &repository("src/cli/head/expose.spt");
    assert_eq!(spintrue(&folder, &["fmt", "--check", script]).0, 0);
    let (code, out, error) = spintrue(&folder, &["check", script]);
    assert_eq!((code, error.as_str()), (0, ""), "{out}");
}
