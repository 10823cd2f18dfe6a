/** express-pouchdb over LevelDB in a folder: the server a PouchDB client replicates with. */
import { join } from 'node:path';
import { createRequire } from 'node:module';
import express from 'express';
import PouchDB from 'pouchdb';

const [, , folder, port] = process.argv;
const expressPouchDB = createRequire(import.meta.url)('express-pouchdb');
const Stored = PouchDB.defaults({ prefix: join(folder, '/') });
const app = express();
app.use(
  '/',
  expressPouchDB(Stored, {
    mode: 'minimumForPouchDB',
    inMemoryConfig: true,
    logPath: join(folder, 'log.txt'),
  }),
);
app.listen(Number(port), '127.0.0.1', () => process.stdout.write('ready\n'));
