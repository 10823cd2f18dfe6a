/** The sheets of the bedside; "" while none is open. */
export type SheetName = '' | 'skip' | 'not-so' | 'event' | 'steps' | 'drawing';
