/** Holds Automerge documents, answers their sync protocol, and flushes what came to disk. */
import { fsyncSync, openSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import * as Automerge from '@automerge/automerge';
import { Documents, freshStates } from './automerge-documents.mjs';
import { serveBytes } from './bytes-server.mjs';

const [, , folder, port] = process.argv;
const file = openSync(join(folder, 'documents.automerge'), 'a');
const documents = new Documents();
const states = new Map();

serveBytes(Number(port), (url, sent) => {
  const peer = url.searchParams.get('peer');
  if (url.searchParams.get('turn') === '0') states.set(peer, freshStates());
  let hasNews = false;
  for (const place of documents.receive(states.get(peer), sent)) {
    const news = Automerge.saveIncremental(documents.held[place]);
    if (news.length === 0) continue;
    writeSync(file, news);
    hasNews = true;
  }
  if (hasNews) fsyncSync(file);
  return documents.generate(states.get(peer));
});
