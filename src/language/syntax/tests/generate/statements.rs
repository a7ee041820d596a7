//! Statements, params and routines of generated programs.

use super::Program;

impl Program {
    fn block(&mut self) {
        self.wrap(true);
        self.word("{");
        self.depth += 1;
        let statements = if self.deep() { 0 } else { self.choices.below(4) };
        self.edge();
        for at in 0..statements {
            if at > 0 {
                self.end();
            }
            self.statement(false);
        }
        self.edge();
        self.depth -= 1;
        self.word("}");
    }

    fn clause(&mut self, keyword: &str) {
        self.wrap(true);
        self.word(keyword);
        self.wrap(true);
    }

    fn otherwise(&mut self) {
        match self.choices.below(4) {
            2 => {
                self.clause("else");
                self.simple();
            }
            3 => {
                self.wrap(true);
                self.word("else");
                self.block();
            }
            _ => {}
        }
    }

    pub(super) fn statement(&mut self, top: bool) {
        let kinds = if top { 14 } else { 10 };
        match self.choices.below(kinds) {
            3 => self.if_(),
            4 => {
                self.word("for");
                self.blank();
                self.name();
                self.clause("in");
                self.expression();
                self.block();
            }
            5 => {
                self.word("repeat");
                self.blank();
                if self.choices.sometimes() {
                    self.word("at");
                    self.wrap(true);
                    self.word("most");
                    self.wrap(true);
                }
                self.expression();
                self.wrap(true);
                self.word("times");
                self.block();
                if self.choices.sometimes() {
                    self.clause("until");
                    self.expression();
                }
                self.otherwise();
            }
            6 => {
                self.word("while");
                self.blank();
                self.expression();
                self.clause("at");
                self.word("most");
                self.wrap(true);
                self.expression();
                self.wrap(true);
                self.word("times");
                self.block();
                self.otherwise();
            }
            7 => {
                self.word("wait");
                self.blank();
                self.word("until");
                self.wrap(true);
                self.expression();
                self.clause("within");
                self.sum();
                if self.choices.sometimes() {
                    self.clause("every");
                    self.sum();
                }
                self.otherwise();
            }
            8 => {
                self.word("arm");
                self.wrap(true);
                self.word("at");
                self.wrap(true);
                self.expression();
                self.block();
            }
            9 => {
                self.word("try");
                self.block();
                if self.choices.sometimes() {
                    self.wrap(true);
                    self.word("catch");
                    self.blank();
                    self.name();
                    self.block();
                }
                if self.choices.sometimes() {
                    self.wrap(true);
                    self.word("finally");
                    self.block();
                }
            }
            10 => {
                self.word("use");
                self.glue();
                self.plain_text();
            }
            11 => self.param(),
            12 => self.routine(),
            13 => {
                self.word("allow");
                self.blank();
                self.word("W0803");
                self.glue();
                self.plain_text();
            }
            _ => self.simple(),
        }
    }

    fn if_(&mut self) {
        self.word("if");
        self.blank();
        self.expression();
        self.block();
        while self.choices.sometimes() {
            self.wrap(true);
            self.word("else");
            self.blank();
            self.word("if");
            self.blank();
            self.expression();
            self.block();
        }
        self.otherwise();
    }

    fn value(&mut self) {
        self.wrap(false);
        self.word("=");
        if self.choices.sometimes() {
            // `ask` begins a statement where it begins a line.
            self.blank();
            return self.ask();
        }
        self.wrap(true);
        self.expression();
    }

    fn ask(&mut self) {
        self.word("ask");
        self.blank();
        self.expression();
        if self.choices.sometimes() {
            self.infix("within");
            self.expression();
        }
        self.colon();
        self.type_();
        if self.choices.sometimes() {
            self.infix("within");
            self.sum();
            self.infix("..");
            self.sum();
        }
    }

    fn simple(&mut self) {
        match self.choices.below(11) {
            9 => self.ask(),
            1 => {
                let word = self.choices.one(&["let", "var"]);
                self.word(word);
                self.blank();
                self.name();
                if self.choices.sometimes() {
                    self.colon();
                    self.type_();
                    self.glue();
                }
                self.value();
            }
            2 => {
                self.name();
                for _ in 0..self.choices.below(3) {
                    if self.choices.sometimes() {
                        self.inside("[", "]", Self::expression);
                    } else {
                        self.word(".");
                        self.name();
                    }
                }
                self.value();
            }
            3 => {
                let word = self.choices.one(&["break", "continue", "return"]);
                self.word(word);
            }
            4 => {
                self.word("return");
                self.blank();
                self.expression();
            }
            5 | 6 => {
                let word = self.choices.one(&["wait", "fail", "note"]);
                self.word(word);
                self.blank();
                self.expression();
            }
            7 => {
                let word = self.choices.one(&["expect", "record"]);
                self.word(word);
                self.blank();
                self.expression();
                self.colon();
                self.expression();
            }
            8 => {
                self.word("(");
                self.brackets += 1;
                self.expression();
                self.brackets -= 1;
                self.word(")");
            }
            _ => self.call(),
        }
    }

    fn param(&mut self) {
        self.word("param");
        self.blank();
        self.name();
        if self.choices.sometimes() {
            self.colon();
            self.type_();
        }
        if self.choices.sometimes() {
            self.glue();
            self.word("=");
            self.wrap(true);
            self.sum();
        }
        if self.choices.sometimes() {
            self.infix("within");
            self.sum();
            self.infix("..");
            self.sum();
        }
    }

    fn routine(&mut self) {
        self.word("routine");
        self.blank();
        self.name();
        self.inside("(", ")", |p| {
            p.elements(0, |p| {
                p.name();
                p.colon();
                p.type_();
                p.gap(false);
                if p.choices.sometimes() {
                    p.word("=");
                    p.wrap(false);
                    p.expression();
                }
            });
        });
        if self.choices.sometimes() {
            self.wrap(false);
            self.word("->");
            self.wrap(false);
            self.type_();
        }
        if self.choices.sometimes() {
            self.blank();
            self.word("for any D,");
            self.wrap(true);
            self.word("E");
        }
        if self.choices.sometimes() {
            self.clause_word("may");
            self.blank();
            self.word("reads,");
            self.wrap(true);
            self.word("emits");
        }
        if self.choices.sometimes() {
            // `arm` begins a statement where it begins a line.
            self.clause_word("within");
            self.blank();
            self.word("arm");
        }
        self.block();
    }

    fn clause_word(&mut self, word: &str) {
        self.wrap(true);
        self.word(word);
    }
}
