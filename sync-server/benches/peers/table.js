// Reads rounds, one JSON object a line, and prints the table.
const { readFileSync } = require("node:fs")

const HOW = {
  embertally: "TLS, SQLite in a folder",
  "automerge-repo": "Node, no TLS, nothing stored",
  samod: "Rust, no TLS, nothing stored",
  "pouchdb live": "Node, no TLS, memory, express-pouchdb",
  "pouchdb once": "the same; push once, then pull once",
}
const rounds = readFileSync(0, "utf8").split("\n").filter(Boolean).map(line => JSON.parse(line))
const row = (...cells) => console.log(`| ${cells.join(" | ")} |`)
row("peer", "how", "rounds", "seconds: median (least to most)", "MB on the wire")
row("---", "---", "---:", "---:", "---:")
for (const [peer, how] of Object.entries(HOW)) {
  const all = rounds.filter(r => r.peer === peer)
  const done = all.filter(r => !r.failed)
  const count = done.length === all.length ? `${done.length}` : `${done.length} of ${all.length}`
  if (done.length === 0) {
    row(peer, how, count, "not measured", "not measured")
    continue
  }
  const seconds = done.map(r => r.seconds).sort((a, b) => a - b)
  const megabytes = done.map(r => r.megabytes ?? r.bytes / 1e6).sort((a, b) => a - b)
  const median = list => list[Math.floor(list.length / 2)]
  const range = `${seconds[0].toFixed(3)} to ${seconds.at(-1).toFixed(3)}`
  row(peer, how, count, `${median(seconds).toFixed(3)} (${range})`, median(megabytes).toFixed(2))
}
