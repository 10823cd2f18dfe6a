/** What a device signs of a request: the shared vectors, which the Python twin answers to as well. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { MalformedOperationError } from './errors';
import {
  type RequestProof,
  type SignedRequest,
  writeFingerprint,
  writeRequestBase,
  writeRevocationText,
  writeSignatureBase,
} from './request-signing';

interface Case<Given> {
  description: string;
  given: Given;
  expect: string | null;
}

function eachCase<Given>(name: string, write: (given: Given) => string): void {
  const file = new URL(`../../../tests/conformance/signing/${name}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case<Given>[] };
  describe(name, () => {
    test('holds cases', () => expect(cases.length).toBeGreaterThan(0));
    for (const { description, given, expect: expected } of cases)
      test(description, () => {
        if (expected === null) expect(() => write(given)).toThrow(MalformedOperationError);
        else expect(write(given)).toBe(expected);
      });
  });
}

eachCase<{ components: [string, string][]; parameters: string }>(
  'write_signature_base.json',
  ({ components, parameters }) => writeSignatureBase(components, parameters),
);

eachCase<{ proof: RequestProof; request: SignedRequest }>(
  'write_request_base.json',
  ({ proof, request }) => writeRequestBase(proof, request),
);

eachCase<{ key_id: string }>('write_fingerprint.json', ({ key_id: keyId }) =>
  writeFingerprint(keyId),
);

eachCase<{ device: string; revoked_ms: number; is_lost: boolean }>(
  'write_revocation_text.json',
  ({ device, revoked_ms: revokedMs, is_lost: isLost }) =>
    writeRevocationText(device, revokedMs, isLost),
);
