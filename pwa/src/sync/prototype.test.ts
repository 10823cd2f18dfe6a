import { expect, test } from 'vitest';
import { writeStamp } from './clock';
import { mergeRecord } from './merge';
import { makeOperation } from './operation';

const NAMES = ['__proto__', 'constructor', 'prototype', 'toString', 'hasOwnProperty'];

test('V15.3.6: fields named like what every object inherits change no other object', () => {
  for (const name of NAMES) {
    const set = JSON.parse(`{"${name}":{"polluted":true},"label":"A"}`) as Record<string, never>;
    const operation = makeOperation({
      device: 'a',
      epoch: 'ep01',
      counter: 1,
      previous: '',
      stream: 'care',
      record: 'puncture/p-1',
      stamp: writeStamp({ wallMs: 1, counter: 0, device: 'a' }),
      body: {
        salt: '0'.repeat(32),
        by: 'staff/a',
        tappedBy: 'staff/a',
        catalogue: 1,
        set,
        over: {},
        retract: [],
        because: '',
      },
    });

    const state = mergeRecord('puncture/p-1', [operation], {});

    expect(({} as Record<string, unknown>).polluted).toBeUndefined();
    expect(Object.keys(Object.prototype)).toEqual([]);
    expect(Object.getPrototypeOf(state)).toBe(Object.prototype);
    expect(state?.fields.label?.values.map(({ value }) => value)).toEqual(['A']);
  }
});
