// Reads a small ledger through the engine's read-only HTTP port with the official
// ClickHouse client. Usage: node check.mjs http://127.0.0.1:PORT
import assert from 'node:assert/strict'
import { createClient, ClickHouseError } from '@clickhouse/client'

const url = process.argv[2]

async function refused(promise, type) {
  await assert.rejects(promise, (error) => {
    assert(error instanceof ClickHouseError, `not an error of the server: ${error}`)
    assert.equal(error.type, type)
    return true
  })
}

for (const compression of [{ response: false }, { response: true }]) {
  const client = createClient({ url, database: 'ledger', compression, request_timeout: 30_000 })

  const ping = await client.ping()
  assert.equal(ping.success, true, String(ping.error))

  const json = await client.query({
    query: 'SELECT truck, sum(solids_g) AS solids FROM tip WHERE truck = {truck:String} GROUP BY truck',
    query_params: { truck: 'truck-01' },
    format: 'JSON',
  })
  const result = await json.json()
  assert.equal(result.rows, 1)
  assert.deepEqual(result.data, [{ truck: 'truck-01', solids: 3750000 }])
  assert.deepEqual(result.meta, [
    { name: 'truck', type: 'String' },
    { name: 'solids', type: 'Int64' },
  ])

  const stream = await client.query({ query: 'SELECT number FROM numbers(300000)', format: 'JSONEachRow' })
  let rows = 0
  for await (const batch of stream.stream()) {
    for (const row of batch) {
      assert.equal(row.json().number, rows)
      rows++
    }
  }
  assert.equal(rows, 300_000)

  const settings = await client.query({
    query: 'SELECT toInt64(1) AS n',
    format: 'JSONEachRow',
    clickhouse_settings: { output_format_json_quote_64bit_integers: 1 },
    query_id: 'check-1',
  })
  assert.equal(settings.query_id, 'check-1')
  assert.deepEqual(await settings.json(), [{ n: '1' }])

  await refused(client.query({ query: 'SELECT nosuch FROM tip' }), 'UNKNOWN_IDENTIFIER')
  await refused(client.insert({ table: 'tip', values: [{ truck: 'x', solids_g: 1 }], format: 'JSONEachRow' }), 'READONLY')
  await refused(client.command({ query: 'DROP TABLE tip' }), 'READONLY')
  await refused(client.query({ query: "SELECT * FROM file('/etc/hostname', LineAsString)" }), 'READONLY')
  await refused(
    client.query({ query: 'SELECT 1', clickhouse_settings: { readonly: '0' } }),
    'SETTING_CONSTRAINT_VIOLATION',
  )

  // A failure in the middle must not look like the end.
  await assert.rejects(async () => {
    const failing = await client.query({
      query: 'SELECT number, throwIf(number = 250000) FROM numbers(1000000)',
      format: 'JSONEachRow',
    })
    for await (const batch of failing.stream()) batch.length
  })

  await client.close()
}
console.log('the client is content')
