import { expect, test } from 'vitest';
import { addressOf, type Place, placeOf } from './place.svelte';

test('every place survives its own address', () => {
  const places: Place[] = [
    { name: 'cases' },
    { name: 'clinic' },
    { name: 'decisions' },
    { name: 'implants' },
    { name: 'about' },
    { name: 'tablet' },
    { name: 'patient', patient: 'p-1' },
    { name: 'procedure', caseId: 'c-1' },
  ];
  for (const place of places) expect(placeOf(addressOf(place))).toEqual(place);
});

test('an unknown address is no place', () => {
  expect(placeOf('#/case/c-1/elsewhere')).toBeNull();
  expect(placeOf('#join=ABCD')).toBeNull();
});
