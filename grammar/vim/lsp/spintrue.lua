-- The language server of spintrue, for `vim.lsp.enable('spintrue')`.
return {
  cmd = { 'spintrue', 'lsp' },
  filetypes = { 'spintrue' },
  root_markers = { '.git' },
  -- The description that scripts are for:
  -- init_options = { head = 'sim:heads/ten_large.toml' },
}
