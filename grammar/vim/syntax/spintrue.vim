" Highlighting of scripts, generated from grammar/spintrue.tmLanguage.json by tests/extra/editors.sh --write.
if exists('b:current_syntax') | finish | endif
let b:current_syntax = 'spintrue'
syn case match
syn iskeyword @,48-57,_,192-255
syn keyword spintrueKeywordControl arm at break catch continue else every fail finally for hold if most repeat return times try until wait while within
syn keyword spintrueKeywordControlImport use
syn keyword spintrueStorageType let param routine var
syn keyword spintrueStorageModifier allow any list may of
syn keyword spintrueKeywordOperatorWord and in mod not or
syn keyword spintrueKeywordOther ask expect note record
syn keyword spintrueConstantLanguage false true
syn match spintrueSupportFunction '\v<%(abs|all_conform|arccos|arcsin|arctan|at_rest|autocorrelation|banding|brake|ceiling|channel|choose|coast|combined_uncertainty|contains|corrected|corrected_plan|cos|count|counted_facets|coverage_factor|cp|cpk|deviation|division_and_ripple|dose_banding|draw_steadily|drawing_steadily|effective_degrees_of_freedom|exp|expanded_uncertainty|expose|facet_count|facets|fault|find|fitted|floor|gauge_file|gauge_limits|gauge_study|head_limits|interlock_closed|joined|keep_spinning|larger|largest|line_map|linear_fit|ln|load|loaded_trims|locked|log10|mean|measured_speed|median|median_absolute_deviation|mend|no_trims|now|park|pattern_match|peak_to_peak|percentile|plan_line|polynomial_fit|power|provoke|pulse_pattern|rails|read_chart|relative_lengths|rms|robust_deviation|rounded|series|set_channel|signal|sin|slice|smaller|smallest|sorted|sorted_by|spectrum|spin|split|sqrt|standard_error|start_of_scan_detector|status|steer|step_pattern|store_trims|stored_proof|sum|switch_off|switch_on|table|tan|test_line|test_lines|timeout|trim_response|trim_uncertainties|turns|type_a|type_b|worst)>\ze\s*\('
syn keyword spintrueKeywordOperatorWord in nextgroup=spintrueKeywordOtherUnit skipwhite
syn match spintrueVariableOtherProperty '\v\.@<!\.[[:alpha:]_]\k*'
syn match spintrueSupportType '\v%(%(:|-\>|<of>)\s*)@<=%(acceleration|angle|area|component|current|detector|dose_peak|energy|facet_division|facet_pulses|failure|fitted|flag|force|frequency|gauge_file|gauge_limits|gauge_study|head_limits|length|line|line_length|linear_fit|mark|mass|number|page|pattern_match|peak|plan|polynomial_fit|power|pressure|proof|rail|residual|resistance|resolution|response|rotation|series|speed|spin_up_rate|status|temperature|temperature_change|text|time|tone|trim|turn|voltage)>%(\s*[(.])@!'
syn match spintrueSupportConstantEffect '\v%(<may\s+)@<=%(asks|emits|provokes|reads|spins|steers|stores|switches|trims)%(\s*,\s*%(asks|emits|provokes|reads|spins|steers|stores|switches|trims))*>'
syn match spintrueConstantOtherCode '\v%(<allow\s+)@<=[EW]\d+>'
syn match spintrueCommentLineDoubleSlash '//.*$'
syn match spintrueCommentLineDocumentation '^\s*///\%(/\)\@!.*$'
syn match spintrueConstantNumeric '\v<\d+%(_\d+)*%(\.\d+%(_\d+)*)?%([eE][+-]?\d+)?' nextgroup=spintrueKeywordOtherUnit skipwhite
syn match spintrueKeywordOtherUnit contained '\v%([fpnuµμmkMG]?ohm|[fpnuµμmkMG]?Pa|[fpnuµμmkMG]?Ω|[fpnuµμmkMG]?A|[fpnuµμmkMG]?J|[fpnuµμmkMG]?N|[fpnuµμmkMG]?V|[fpnuµμmkMG]?W|[fpnuµμmck]?m|[fpnuµμm]?s|[nuµμm]?rad|[nuµμm]?K|[nuµμm]?g|[m]?arcsec|[mkMG]?Hz|[m]?bar|[m]?deg|arcmin|facets|facet|lines|degC|dots|inch|line|dot|dpi|mil|min|ppm|rev|rpm|kg|\%|h)%(\^-?[0-9]+)?%([/*]%([fpnuµμmkMG]?ohm|[fpnuµμmkMG]?Pa|[fpnuµμmkMG]?Ω|[fpnuµμmkMG]?A|[fpnuµμmkMG]?J|[fpnuµμmkMG]?N|[fpnuµμmkMG]?V|[fpnuµμmkMG]?W|[fpnuµμmck]?m|[fpnuµμm]?s|[nuµμm]?rad|[nuµμm]?K|[nuµμm]?g|[m]?arcsec|[mkMG]?Hz|[m]?bar|[m]?deg|arcmin|facets|facet|lines|degC|dots|inch|line|dot|dpi|mil|min|ppm|rev|rpm|kg|\%|h)%(\^-?[0-9]+)?|[/*]\(%([fpnuµμmkMG]?ohm|[fpnuµμmkMG]?Pa|[fpnuµμmkMG]?Ω|[fpnuµμmkMG]?A|[fpnuµμmkMG]?J|[fpnuµμmkMG]?N|[fpnuµμmkMG]?V|[fpnuµμmkMG]?W|[fpnuµμmck]?m|[fpnuµμm]?s|[nuµμm]?rad|[nuµμm]?K|[nuµμm]?g|[m]?arcsec|[mkMG]?Hz|[m]?bar|[m]?deg|arcmin|facets|facet|lines|degC|dots|inch|line|dot|dpi|mil|min|ppm|rev|rpm|kg|\%|h)%(\^-?[0-9]+)?%([/*]%([fpnuµμmkMG]?ohm|[fpnuµμmkMG]?Pa|[fpnuµμmkMG]?Ω|[fpnuµμmkMG]?A|[fpnuµμmkMG]?J|[fpnuµμmkMG]?N|[fpnuµμmkMG]?V|[fpnuµμmkMG]?W|[fpnuµμmck]?m|[fpnuµμm]?s|[nuµμm]?rad|[nuµμm]?K|[nuµμm]?g|[m]?arcsec|[mkMG]?Hz|[m]?bar|[m]?deg|arcmin|facets|facet|lines|degC|dots|inch|line|dot|dpi|mil|min|ppm|rev|rpm|kg|\%|h)%(\^-?[0-9]+)?)*\))*[[:alnum:]_]@!'
syn match spintrueConstantCharacterEscape contained '\\[\"\\nt{}]'
syn region spintrueStringQuotedDouble start='"' skip='\\.' end='"\|$' contains=spintrueConstantCharacterEscape,spintrueInserted
syn region spintrueInserted contained matchgroup=Delimiter start='{' end='}\|$' contains=TOP
syn region spintrueBraces contained containedin=spintrueInserted,spintrueBraces start='{' end='}\|$' contains=TOP
hi def link spintrueCommentLineDocumentation SpecialComment
hi def link spintrueCommentLineDoubleSlash Comment
hi def link spintrueConstantNumeric Number
hi def link spintrueKeywordOtherUnit Type
hi def link spintrueStringQuotedDouble String
hi def link spintrueConstantCharacterEscape SpecialChar
hi def link spintrueVariableOtherProperty Identifier
hi def link spintrueKeywordControl Statement
hi def link spintrueKeywordControlImport Include
hi def link spintrueStorageType StorageClass
hi def link spintrueStorageModifier StorageClass
hi def link spintrueKeywordOperatorWord Operator
hi def link spintrueKeywordOther Keyword
hi def link spintrueConstantLanguage Boolean
hi def link spintrueSupportFunction Function
hi def link spintrueSupportType Type
hi def link spintrueSupportConstantEffect Constant
hi def link spintrueConstantOtherCode Constant
