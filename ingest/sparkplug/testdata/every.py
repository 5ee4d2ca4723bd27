import struct, sparkplug_b_pb2 as pb
P=pb.Payload
p=P(timestamp=1772345647000, seq=7)
def m(name, typ, **kw):
    x=p.metrics.add(name=name, datatype=typ, timestamp=1772345647001)
    for k,v in kw.items():
        setattr(x,k,v)
    return x
m("bdSeq",4,long_value=3)
m("Int8",1,int_value=0xffffffe9); m("Int16",2,int_value=0xffff8ad0); m("Int32",3,int_value=(1<<32)-1); m("Int64",4,long_value=(1<<64)-5)
m("UInt8",5,int_value=250); m("UInt16",6,int_value=52360); m("UInt32",7,long_value=3293969225); m("UInt64",8,long_value=16444743074749521625)
m("Float",9,float_value=0.1); m("Double",10,double_value=-2.5e-7); m("Boolean",11,boolean_value=True)
m("String",12,string_value='a "b" \\ é'); m("DateTime",13,long_value=1772345640500); m("Text",14,string_value="x\ny"); m("UUID",15,string_value="0a-1")
m("Bytes",17,bytes_value=b"\x00\x01"); m("File",18,bytes_value=b"%PDF")
le=lambda f,*v: struct.pack("<"+f*len(v),*v)
m("Int8Array",22,bytes_value=le("b",-23,123)); m("Int16Array",23,bytes_value=le("h",-30000,30000)); m("Int32Array",24,bytes_value=le("i",-1,315338746))
m("Int64Array",25,bytes_value=le("q",-4270929666821191986,-3601064768563266876)); m("UInt8Array",26,bytes_value=le("B",23,250)); m("UInt16Array",27,bytes_value=le("H",30,52360))
m("UInt32Array",28,bytes_value=le("I",52,3293969225)); m("UInt64Array",29,bytes_value=le("Q",52,16444743074749521625)); m("FloatArray",30,bytes_value=le("f",1.23,89.341))
m("DoubleArray",31,bytes_value=le("d",12.354213,1022.9123213)); m("BooleanArray",32,bytes_value=bytes([0x0C,0,0,0,0x34,0xD0])); m("StringArray",33,bytes_value=b"ABC\0hello\0")
m("DateTimeArray",34,bytes_value=le("Q",1256102875335,1656107875000))
x=m("Null",10,is_null=True); x=m("Past",10,is_historical=True,double_value=1.5); x=m("Passing",10,is_transient=True,double_value=2.5)
x=m("Rated",31,bytes_value=le("d",1,2)); x.alias=17; x.properties.keys.extend(["Rate","Quality"]); x.properties.values.add(type=10,double_value=50); x.properties.values.add(type=3,int_value=192); x.metadata.content_type="trace"; x.metadata.size=16
x=m("Table",16); d=x.dataset_value; d.num_of_columns=2; d.columns.extend(["t","i"]); d.types.extend([10,3])
for a,b in ((0.0,5),(0.02,-7)):
    r=d.rows.add(); r.elements.add(double_value=a); r.elements.add(int_value=b&0xffffffff)
x=m("Throw",19); t=x.template_value; t.template_ref="PM"; t.is_definition=False; t.version="1"
t.metrics.add(name="to",datatype=12,string_value="N"); t.metrics.add(name="trace",datatype=30,bytes_value=le("f",*range(8)))
u=t.metrics.add(name="inner",datatype=19); u.template_value.template_ref="X"; u.template_value.is_definition=False; u.template_value.metrics.add(name="deep",datatype=11,boolean_value=True)
open("every.bin","wb").write(p.SerializeToString())
