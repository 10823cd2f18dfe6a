/** A PouchDB client with its store in memory; replicates in batches of 1,000 like ours. */
import PouchDB from 'pouchdb';
import memoryAdapter from 'pouchdb-adapter-memory';
import { contentOf, idOf, serveLines, WHO } from './lines.mjs';

PouchDB.plugin(memoryAdapter);
let local;
let remote;
const batch = { batch_size: 1000, batches_limit: 10 };

async function readAll(keys) {
  const { rows } = await local.allDocs({ keys, include_docs: true });
  return rows.map((row) => row.doc);
}
const keysOf = (first, count) => Array.from({ length: count }, (_, index) => idOf(first + index));

await serveLines({
  start({ address, name }) {
    local = new PouchDB(name, { adapter: 'memory' });
    remote = new PouchDB(`${address}/unit`, { skip_setup: false });
  },
  async fill({ first, count }) {
    const docs = keysOf(first, count).map((_id, index) => ({
      _id,
      ...contentOf(first + index),
      ...WHO,
    }));
    await local.bulkDocs(docs);
  },
  async edit({ first, count, outcome }) {
    const docs = await readAll(keysOf(first, count));
    await local.bulkDocs(docs.map((doc) => ({ ...doc, outcome })));
  },
  async sync() {
    await local.replicate.to(remote, batch);
    await local.replicate.from(remote, batch);
  },
  async count() {
    return { count: (await local.info()).doc_count };
  },
  async pairs({ first, count }) {
    let hidden = 0;
    let lost = 0;
    for (const id of keysOf(first, count)) {
      const plain = await local.get(id);
      if (!Array.isArray(plain.outcome)) hidden++;
      const told = await local.get(id, { conflicts: true });
      if (!told._conflicts?.length) lost++;
    }
    return { hidden, lost };
  },
  size: () => ({ bytes: null }),
});
