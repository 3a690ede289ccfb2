// Access to the memories of planes. AssemblyScript knows one memory; the build turns each call of these functions into
// the instruction on the memory named by the last letter: A, B, C are read, O and P written. Memory 0 is the thread's
// own scratch.
@external("plane", "v128.load a") export declare function loadA(p: usize): v128;
@external("plane", "v128.load a offset=16") export declare function loadA16(p: usize): v128;
@external("plane", "v128.load a offset=32") export declare function loadA32(p: usize): v128;
@external("plane", "v128.load a offset=48") export declare function loadA48(p: usize): v128;
@external("plane", "v128.load b") export declare function loadB(p: usize): v128;
@external("plane", "v128.load b offset=16") export declare function loadB16(p: usize): v128;
@external("plane", "v128.load b offset=32") export declare function loadB32(p: usize): v128;
@external("plane", "v128.load b offset=48") export declare function loadB48(p: usize): v128;
@external("plane", "v128.load c") export declare function loadC(p: usize): v128;
@external("plane", "v128.load c offset=16") export declare function loadC16(p: usize): v128;
@external("plane", "v128.load c offset=32") export declare function loadC32(p: usize): v128;
@external("plane", "v128.load c offset=48") export declare function loadC48(p: usize): v128;
@external("plane", "v128.load o") export declare function loadO(p: usize): v128;
@external("plane", "f32.load o") export declare function floatO(p: usize): f32;
@external("plane", "f32.load a") export declare function floatA(p: usize): f32;
@external("plane", "f32.load b") export declare function floatB(p: usize): f32;
@external("plane", "f32.load c") export declare function floatC(p: usize): f32;
@external("plane", "i32.load b") export declare function wordB(p: usize): i32;
@external("plane", "i32.load16_u a") export declare function shortA(p: usize): i32;
@external("plane", "v128.store o") export declare function storeO(p: usize, v: v128): void;
@external("plane", "v128.store o offset=16") export declare function storeO16(p: usize, v: v128): void;
@external("plane", "v128.store o offset=32") export declare function storeO32(p: usize, v: v128): void;
@external("plane", "v128.store o offset=48") export declare function storeO48(p: usize, v: v128): void;
@external("plane", "v128.store p") export declare function storeP(p: usize, v: v128): void;
@external("plane", "f32.store o") export declare function putO(p: usize, v: f32): void;
@external("plane", "f32.store p") export declare function putP(p: usize, v: f32): void;
