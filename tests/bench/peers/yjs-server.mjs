/** Holds a Yjs document, hands out what a peer misses, and flushes what came to disk. */
import { fsyncSync, openSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { gunzipSync, gzipSync } from 'node:zlib';
import * as Y from 'yjs';
import { serveBytes } from './bytes-server.mjs';

const [, , folder, port] = process.argv;
const file = openSync(join(folder, 'document.yjs'), 'a');
const doc = new Y.Doc();
doc.getMap('records');

serveBytes(Number(port), (url, sent) => {
  if (url.pathname === '/held') return Y.encodeStateVector(doc);
  if (url.pathname === '/missing') return gzipSync(Y.encodeStateAsUpdate(doc, sent), { level: 1 });
  const update = gunzipSync(sent);
  Y.applyUpdate(doc, update);
  writeSync(file, update);
  fsyncSync(file);
  return new Uint8Array();
});
