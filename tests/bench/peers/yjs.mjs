/** A Yjs client: one map of maps, one transaction a record; updates travel squeezed. */
import { gunzipSync, gzipSync } from 'node:zlib';
import * as Y from 'yjs';
import { contentOf, idOf, serveLines, WHO } from './lines.mjs';

const doc = new Y.Doc();
const records = doc.getMap('records');
let address;

async function post(path, content) {
  const response = await fetch(`${address}${path}`, { method: 'POST', body: content });
  return new Uint8Array(await response.arrayBuffer());
}

await serveLines({
  start(given) {
    address = given.address;
  },
  fill({ first, count }) {
    for (let number = first; number < first + count; number++) {
      doc.transact(() => {
        records.set(idOf(number), new Y.Map(Object.entries({ ...contentOf(number), ...WHO })));
      });
    }
  },
  edit({ first, count, outcome }) {
    for (let number = first; number < first + count; number++) {
      doc.transact(() => records.get(idOf(number)).set('outcome', outcome));
    }
  },
  async sync() {
    const held = await post('/held', new Uint8Array());
    await post('/update', gzipSync(Y.encodeStateAsUpdate(doc, held), { level: 1 }));
    const news = await post('/missing', Y.encodeStateVector(doc));
    Y.applyUpdate(doc, gunzipSync(news));
  },
  count: () => ({ count: records.size }),
  pairs({ first, count }) {
    // A replaced value is gone for good: what a plain read does not show, nothing shows.
    let hidden = 0;
    for (let number = first; number < first + count; number++) {
      if (!Array.isArray(records.get(idOf(number)).get('outcome'))) hidden++;
    }
    return { hidden, lost: hidden };
  },
  size: () => ({ bytes: Y.encodeStateAsUpdate(doc).length }),
});
