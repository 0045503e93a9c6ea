// What the editor of benches gains from a script.
