//! Texts, lists and records: where they come from.

use crate::interpret::link::made::made_of;
use crate::interpret::link::{Linker, RefNode};
use crate::program::tree::Ref;
use crate::program::value::Value;

impl Linker<'_> {
    /// A text, list or record.
    pub(crate) fn reference(&mut self, reference: &Ref) -> RefNode {
        self.linked += 1;
        self.deeper(|linker| linker.reference_here(reference))
    }

    fn reference_here(&mut self, reference: &Ref) -> RefNode {
        match reference {
            Ref::Local(slot) => {
                let slot = slot.0;
                Box::new(move |machine| Ok(machine.reference(slot)))
            }
            Ref::Text(text) => {
                let text = Value::text(text);
                Box::new(move |_| Ok(text.clone()))
            }
            Ref::Kept(value) => {
                let value = value.clone();
                Box::new(move |_| Ok(value.clone()))
            }
            Ref::Interpolated(pieces, span) => self.interpolated(pieces, *span),
            Ref::Made(parts, span) => self.made(parts, *span),
            Ref::Range(first, last, span) => self.range(first, last, *span),
            Ref::Comprehension(comprehension) => self.comprehension(comprehension),
            Ref::Joined(.., span) => {
                let parts = self.list_parts(&reference.joined());
                made_of(parts, *span)
            }
            Ref::Access(access) => self.access_reference(access),
            Ref::Record(access, layout) => self.access_record(access, *layout),
            Ref::Choice(choice) => {
                let (condition, yes, no) = &**choice;
                let (condition, yes, no) =
                    (self.flag(condition), self.reference(yes), self.reference(no));
                Box::new(
                    move |machine| if condition(machine)? { yes(machine) } else { no(machine) },
                )
            }
            Ref::Call(call) => self.call_reference(call),
            Ref::Builtin(call) => self.builtin_reference(call),
        }
    }
}
