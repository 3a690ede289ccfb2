/** Version of the library, as records name it. */
export const libraryVersion: string = "0.2.0";
