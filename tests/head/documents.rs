//! Tables of the pages that are made from the tables of heads and of the wire.

use crate::support::{root, table_of_page};
use spintrue::head::contract::TABLE as CONTRACTS;
use spintrue::head::wire::codec::{Order, message};
use spintrue::head::wire::tree::TABLE as HEADERS;
use spintrue::head::{Halt, LineOrder, PageOrder, Pattern, Trim};
use spintrue::image::Bitmap;
use std::fs;
use std::sync::Arc;

/// With `INSTA_UPDATE=always` the page is written anew.
#[test]
fn the_page_of_contracts_is_the_table() {
    let mut table = String::from("\n| contract | what holds | does |\n| --- | --- | --- |\n");
    for contract in CONTRACTS {
        let does = format!("{:?}", contract.does).to_lowercase();
        table.push_str(&format!("| `{}` | {} | {does} |\n", contract.name, contract.holds));
    }
    table_of_page("docs/heads.md", "contracts", &format!("{table}\n"));
}

/// The page lists every row of the table as it is.
#[test]
fn the_page_of_the_wire_shows_every_header() {
    let page = fs::read_to_string(root().join("docs/wire.md")).unwrap();
    let mut table =
        String::from("| header | takes | answers | meaning |\n| --- | --- | --- | --- |\n");
    for row in HEADERS {
        let cell =
            |text: &str| if text.is_empty() { "–".to_string() } else { format!("`{text}`") };
        let (takes, gives) = (cell(row.takes), cell(row.gives));
        table.push_str(&format!("| `{}` | {takes} | {gives} | {} |\n", row.header, row.meaning));
    }
    assert!(page.contains(&table), "docs/wire.md should have:\n{table}");
}

/// Every call as the driver says it has its header in the list.
#[test]
fn the_list_of_what_the_driver_says_is_whole() {
    let page = fs::read_to_string(root().join("docs/wire.md")).unwrap();
    let list = page.split("<!-- driver -->").nth(1).unwrap();
    let list = list.split("<!-- end of driver -->").next().unwrap();
    let pattern = Pattern::TestMarks;
    let line = LineOrder { facet: 0, dots: 1, dot_period: 1.0, delay: 1.0, pattern };
    let image = Arc::new(Bitmap::read(b"P4\n8 1\nx").unwrap());
    let orders = [
        Order::Describe,
        Order::Status,
        Order::Spin(1.0),
        Order::Halt(Halt::Brake),
        Order::Steer(Some(1.0)),
        Order::Steer(None),
        Order::Turns(1),
        Order::Trims,
        Order::LoadTrims(vec![Trim::default()]),
        Order::StoreTrims,
        Order::Arm(1.0),
        Order::Disarm,
        Order::Expose(line),
        Order::Page(PageOrder { dot_period: 1.0, delay: 1.0, pitch: 1.0, image }),
        Order::Now,
        Order::Sleep(1.0),
        Order::Safe(true),
        Order::Measure,
        Order::Signal(String::new()),
        Order::Switch(String::new(), true),
        Order::Channel(String::new()),
        Order::SetChannel(String::new(), 1.0),
        Order::Strikes(String::new()),
        Order::Provoke(String::new(), 1.0),
        Order::Mend,
    ];
    for order in orders {
        let said = message(&order);
        let header = said.split(|byte| *byte == b' ').next().unwrap();
        let header = String::from_utf8(header.to_vec()).unwrap();
        assert!(list.contains(&format!("`{header}`")), "{header} is not in the list");
    }
}
