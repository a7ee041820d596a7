" Scripts of spintrue: comments, indents, `:make` to check, `gq` to format.
if exists('b:did_ftplugin') | finish | endif
let b:did_ftplugin = 1

setlocal comments=:///,:// commentstring=//\ %s formatoptions-=t
setlocal expandtab shiftwidth=4 softtabstop=4
setlocal formatprg=spintrue\ fmt\ -
compiler spintrue
let b:undo_ftplugin = 'setlocal comments< commentstring< formatoptions< expandtab< shiftwidth< softtabstop<'
            \ . ' formatprg< makeprg< errorformat<'
