/** A plain HTTP server of bytes for the peers that bring none of their own. */
import { createServer } from 'node:http';

export function serveBytes(port, answer) {
  createServer(async (request, response) => {
    const parts = [];
    for await (const part of request) parts.push(part);
    const url = new URL(request.url, 'http://127.0.0.1');
    response.end(Buffer.from(answer(url, new Uint8Array(Buffer.concat(parts)))));
  }).listen(port, '127.0.0.1', () => process.stdout.write('ready\n'));
}
