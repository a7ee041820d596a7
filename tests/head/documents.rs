//! Tables of the pages that are made from the tables of heads and of the wire.

use crate::support::{root, table_of_page};
use spintrue_head::{
    Bitmap, CONTRACTS, Call, CallImage, HEADERS, Halt, LineOrder, Pattern, SteadyOrder, Trim,
    write_call,
};
use std::fs;
use std::sync::Arc;

/// With `INSTA_UPDATE=always` the page is written anew.
#[test]
fn the_page_of_contracts_is_the_table() {
    let mut table = String::from("\n| contract | what holds | does |\n| --- | --- | --- |\n");
    for contract in CONTRACTS {
        let does = format!("{:?}", contract.risk).to_lowercase();
        table.push_str(&format!("| `{}` | {} | {does} |\n", contract.name, contract.holds()));
    }
    table_of_page("docs/heads.md", "contracts", &format!("{table}\n"));
}

/// With `INSTA_UPDATE=always` the page is written anew.
#[test]
fn the_page_of_the_wire_is_the_table() {
    let mut table =
        String::from("\n| header | takes | answers | meaning |\n| --- | --- | --- | --- |\n");
    for row in HEADERS {
        let cell =
            |text: &str| if text.is_empty() { "–".to_string() } else { format!("`{text}`") };
        let (takes, gives) = (cell(&row.takes.join(",")), cell(row.gives));
        table.push_str(&format!("| `{}` | {takes} | {gives} | {} |\n", row.header, row.summary));
    }
    table_of_page("docs/wire.md", "headers", &format!("{table}\n"));
}

/// Every call as the driver says it has its header in the list, and the list no header that there is not.
#[test]
fn the_list_of_what_the_driver_says_is_whole() {
    let page = fs::read_to_string(root().join("docs/wire.md")).unwrap();
    let list = page.split("<!-- driver -->").nth(1).unwrap();
    let list = list.split("<!-- end of driver -->").next().unwrap();
    let pattern = Pattern::TestMarks;
    let line =
        LineOrder { facet: 0, dots: 1, dot_period: 1.0, delay: 1.0, pattern, correction: None };
    let image = CallImage::Here(Arc::new(Bitmap::read(b"P4\n8 1\nx").unwrap()));
    let order = SteadyOrder { facet: None, dots: 1, dot_period: 1.0, delay: 1.0, seconds: 1.0 };
    let calls = [
        Call::Describe,
        Call::Status,
        Call::Spin { speed: 1.0 },
        Call::Halt { how: Halt::Brake },
        Call::Steer { angle: Some(1.0) },
        Call::Steer { angle: None },
        Call::Turns { count: 1 },
        Call::Trims,
        Call::LoadTrims { trims: vec![Trim::default()] },
        Call::StoreTrims { proof: None },
        Call::StoredProof,
        Call::Arm { power: 1.0 },
        Call::Disarm,
        Call::Expose { line },
        Call::DrawSteadily { order },
        Call::DrawingSteadily,
        Call::ExposePage { dot_period: 1.0, delay: 1.0, pitch: 1.0, image, correction: None },
        Call::Sleep { seconds: 1.0 },
        Call::MakeSafe { keep_spinning: true },
        Call::Measure,
        Call::Signal { signal: String::new() },
        Call::Switch { signal: String::new(), on: true },
        Call::Channel { channel: String::new() },
        Call::SetChannel { channel: String::new(), value: 1.0 },
        Call::CheckCanInject { fault: String::new() },
        Call::Inject { fault: String::new(), after: 1.0 },
        Call::ClearFaults,
    ];
    for call in calls {
        let said = write_call(&call).unwrap();
        let header = said.split(|byte| *byte == b' ').next().unwrap();
        let header = String::from_utf8(header.to_vec()).unwrap();
        assert!(list.contains(&format!("`{header}`")), "{header} is not in the list");
    }
    // The short form has no lower case, and nothing that may be left out.
    let short = |header: &str| {
        let whole = header.split('[').next().unwrap().to_string();
        let rest = header.split(']').nth(1).unwrap_or("");
        (whole + rest).replace(|c: char| c.is_lowercase(), "")
    };
    let known: Vec<String> = HEADERS.iter().map(|row| short(row.header)).collect();
    let told = list.split('`').skip(1).step_by(2).map(|told| told.split(' ').next().unwrap());
    for told in told.filter(|told| told.contains([':', '?', '*'])) {
        assert!(known.iter().any(|header| header == told), "{told} is no header");
    }
}
