// Reads [[pgn, payload in hex], ...] from standard input, writes what npm @canboat/canboatjs reads in each.
const { FromPgn } = require('@canboat/canboatjs')
const version = require('@canboat/canboatjs/package.json').version

const parser = new FromPgn({ resolveEnums: false, useCamel: true, checkForInvalidFields: false })
parser.on('error', () => {})
const fields = JSON.parse(require('fs').readFileSync(0, 'utf8')).map(([pgn, hex]) => {
  const bytes = hex.match(/../g).join(',')
  const read = parser.parseString(`2026-01-01T00:00:00.000Z,6,${pgn},35,255,${hex.length / 2},${bytes}`)
  return read ? read.fields : null
})
process.stdout.write(JSON.stringify({ version, fields }))
