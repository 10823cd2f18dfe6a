/** The operations of a shared vector as the records they merge to; for tests. */

import type { JsonContent } from '../sync/canonical-text';
import { writeStamp } from '../sync/clock';
import { mergeRecord, type RecordState } from '../sync/merge';
import { kindOf, makeOperation, type Operation, referenceOf } from '../sync/operation';
import { packagedCatalogue } from './packaged-catalogue';

/** One operation of a vector; the first letter of its name is the device that wrote it. */
export interface VectorPart {
  name: string;
  at_ms: number;
  record: string;
  by?: string;
  set?: Record<string, JsonContent>;
  /** Names of earlier operations. */
  retract?: string[];
}

/** Return every record that the operations touch, in the order of their first mention. */
export function mergedStates(parts: readonly VectorPart[]): RecordState[] {
  const catalogue = packagedCatalogue();
  const made = new Map<string, Operation>();
  for (const { name, at_ms: wallMs, record, by = 'staff/s-1', set = {}, retract = [] } of parts) {
    const device = name.charAt(0);
    made.set(
      name,
      makeOperation({
        device,
        epoch: `ep${name}`,
        counter: 1,
        previous: '',
        stream: catalogue.streamOf(kindOf(record)) ?? 'care',
        record,
        stamp: writeStamp({ wallMs, counter: 0, device }),
        body: {
          salt: '0'.repeat(32),
          by,
          tappedBy: 'staff/s-1',
          catalogue: catalogue.version,
          set,
          over: {},
          retract: retract.map((one) => referenceOf(made.get(one) as Operation)),
          because: '',
        },
      }),
    );
  }
  const operations = [...made.values()];
  return [...new Set(operations.map(({ record }) => record))].map((record) =>
    mergeRecord(
      record,
      operations.filter((one) => one.record === record),
      catalogue.policiesOf(kindOf(record)),
    ),
  );
}
