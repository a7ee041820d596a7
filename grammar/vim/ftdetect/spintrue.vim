" Scripts of spintrue. Vim knows another language of that ending, so this replaces what it found.
autocmd BufRead,BufNewFile *.spt set filetype=spintrue
