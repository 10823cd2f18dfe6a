/** What is signed: the shared vectors; the Python twin runs the same in `tests/unit/sync`. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { MalformedOperationError } from './errors';
import type { Tip } from './operation-log';
import {
  findHead,
  type Link,
  type SegmentMark,
  traceSigned,
  writeHeadText,
  writeSegmentText,
} from './signing';

interface Case<Given, Expect> {
  description: string;
  given: Given;
  expect: Expect;
}

function eachCase<Given, Expect>(
  name: string,
  check: (given: Given, expected: Expect) => void | Promise<void>,
): void {
  const file = new URL(`../../../tests/conformance/signing/${name}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case<Given, Expect>[] };
  describe(name, () => {
    test('holds cases', () => expect(cases.length).toBeGreaterThan(0));
    for (const one of cases) test(one.description, () => check(one.given, one.expect));
  });
}

eachCase<{ device: string; epoch: string; counter: number; hash: string }, string | null>(
  'write_head_text.json',
  ({ device, ...tip }, expected) => {
    if (expected === null) {
      expect(() => writeHeadText(device, tip)).toThrow(MalformedOperationError);
    } else {
      expect(writeHeadText(device, tip)).toBe(expected);
    }
  },
);

eachCase<SegmentMark, string | null>('write_segment_text.json', (segment, expected) => {
  if (expected === null) {
    expect(() => writeSegmentText(segment)).toThrow(MalformedOperationError);
  } else {
    expect(writeSegmentText(segment)).toBe(expected);
  }
});

eachCase<Parameters<typeof findHead>[0], ReturnType<typeof findHead>>(
  'find_head.json',
  (operations, expected) => {
    expect(findHead(operations)).toEqual(expected);
  },
);

eachCase<{ tip: Tip; head: Tip; operations: Link[] }, string[]>(
  'trace_signed.json',
  ({ tip, head, operations }, expected) => {
    const find = (counter: number, hash: string) =>
      operations.find((one) => one.counter === counter && one.hash === hash);
    expect(traceSigned(tip, head, find).map((one) => one.hash)).toEqual(expected);
  },
);

/** Bytes of base64; the browser's own algorithm verifies, as the server's does in Python. */
const bytesOf = (text: string) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

eachCase<{ key: string; text: string; signature: string }, boolean>(
  'is_signed.json',
  async ({ key, text, signature }, expected) => {
    const algorithm = { name: 'ECDSA', namedCurve: 'P-256' };
    const verifying = await crypto.subtle.importKey('spki', bytesOf(key), algorithm, false, [
      'verify',
    ]);
    const found = await crypto.subtle.verify(
      { name: 'ECDSA', hash: 'SHA-256' },
      verifying,
      bytesOf(signature),
      new TextEncoder().encode(text),
    );
    expect(found).toBe(expected);
  },
);
